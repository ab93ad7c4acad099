"""`python -m dynostats`, for where the command is not on the path."""

from dynostats.cli import main

main()
