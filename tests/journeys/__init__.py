"""The form in a real browser, against the real application on the demo data."""
