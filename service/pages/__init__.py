"""The doors: thin routes that parse, call one verb and render."""
