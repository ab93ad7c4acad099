"""The command line: parse, one library call, print.

Heavy libraries are imported inside the commands that use them, so that `--help` answers at once.
"""

from dynostats.cli.root import main

__all__ = ["main"]
