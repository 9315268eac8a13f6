"""The desk's pages: what waits today, enquiries, composing, trials, stock, players, and what is printed."""
