"""The command line: one module a command, each parses, calls and prints."""
