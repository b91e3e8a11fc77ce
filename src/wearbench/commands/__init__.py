"""One file a command; each imports what it needs only when it runs, so that help is quick."""
