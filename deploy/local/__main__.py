"""``python3 deploy/local demo`` and ``… test``: everything from a bare clone, in one command.

Only the standard library is used, and this one file is written so that an old Python can read it
and say which Python is wanted.
"""

import os
import shutil
import sys

LEAST_PYTHON = (3, 11)
NEWER_PYTHONS = ("python3.14", "python3.13", "python3.12", "python3.11")


def hand_over_to_newer_python() -> None:
    """Start again with a newer Python that is on the path, or say which one is needed."""
    for name in NEWER_PYTHONS:
        path = shutil.which(name)
        if path:
            os.execv(path, [path, *sys.argv])
    found = f"{sys.version_info[0]}.{sys.version_info[1]}"
    sys.exit(
        f"contactd needs Python 3.11 or later; {sys.executable} is {found} and no newer one is on "
        "the path: install Python 3.11 or later and run this again."
    )


if __name__ == "__main__":
    if sys.version_info < LEAST_PYTHON:
        hand_over_to_newer_python()
    import tasks

    sys.exit(tasks.main(sys.argv[1:]))
