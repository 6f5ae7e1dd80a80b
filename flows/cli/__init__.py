"""The command line: commands without logic of their own."""
