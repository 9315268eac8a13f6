"""The service: what is kept, what is done with it, and the doors to it."""
