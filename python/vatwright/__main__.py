"""``python -m vatwright`` is the command ``vatwright``."""

import sys

from vatwright.cli import main

# Workers that start anew import the main module under another name; none of them is the command.
if __name__ == "__main__":
    sys.exit(main())
