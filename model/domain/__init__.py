"""What the numerics speak of: instruments, answers, bows, trials. It imports nothing."""
