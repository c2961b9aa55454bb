"""Run the command line as a module."""

import sys

from micro.cli import main

if __name__ == "__main__":
    sys.exit(main())
