"""What can be wrong with a plan whose files are sound, one kind of mistake per file."""
