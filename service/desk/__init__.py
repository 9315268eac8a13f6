"""The desk's front: what waits today, enquiries, players, and every page of the desk as one router."""
