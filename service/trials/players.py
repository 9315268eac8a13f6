"""Players as one dealer knows them: a key that the history knows, and who that is."""
