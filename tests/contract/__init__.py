"""Both sides of the log and the link against each other."""
