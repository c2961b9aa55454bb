"""Run the command line as a module."""

import sys


def start() -> None:
    """Load the command line and run it: not when a worker looks at this file, as each does when it begins."""
    try:
        from micro.cli import main
    except KeyboardInterrupt:  # before anything listens for it
        sys.exit(130)
    main()


if __name__ == "__main__":
    start()
