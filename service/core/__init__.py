"""What every room needs: the database, errors, languages and formats, tokens, the log, the record. It knows no capability."""
