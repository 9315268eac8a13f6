"""What people fill in: fields, steps, choices, and how answers are parsed."""
