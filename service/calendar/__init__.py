"""The calendar that a shop has: what is planned there, as a feed to subscribe to."""
