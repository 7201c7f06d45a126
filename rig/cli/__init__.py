"""The command `pressrig`: one file a family of commands, each imported only when it is called.

In: a command line. Out: tables, documents, files and an exit code: 0 done, 1 a check did not pass, 2 wrong
input, 3 the rig or its port failed. Nothing imports it.
"""

from rig.cli.main import main

__all__ = ["main"]
