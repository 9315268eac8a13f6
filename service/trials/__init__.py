"""A trial from its composition to what came of it: the use cases of the desk, the tablet and the phone."""
