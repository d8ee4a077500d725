"""The commands: words, files and exit codes."""
