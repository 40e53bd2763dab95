"""`python -m benchwright`."""

from .cli.main import main

main()
