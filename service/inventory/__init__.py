"""The range and the stock: what the maker says, where each bow is, and CSV in and out."""
