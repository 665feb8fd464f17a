"""One file per command: its words, the call, what is shown."""
