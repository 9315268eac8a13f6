"""The pages of help: `topics` says which there are, `marking` turns one into HTML for the desk."""
