"""The command line: typing only, no computation."""
