"""A dealer's ways in: site, look, origins, keys, and the framed form."""
