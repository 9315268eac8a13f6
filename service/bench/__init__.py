"""The bench: what is measured on a bow, entered fast, questioned where it is odd, and what follows from it."""
