"""The main way: answers in, one stored document out, and every sentence about it."""
