"""The command: words in, words and exit codes out."""
