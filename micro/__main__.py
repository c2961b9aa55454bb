"""Run the command line as a module."""

import sys

try:
    from micro.cli import main
except KeyboardInterrupt:  # before anything listens for it
    sys.exit(130)

if __name__ == "__main__":
    main()
