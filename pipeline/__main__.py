"""Where the command starts: the front door is loaded here, so that Ctrl-C meanwhile ends quietly."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line and exit with its code."""
    try:
        from pipeline.cli import main as front_door
    except KeyboardInterrupt:
        sys.stderr.write("Stopped.\n")
        sys.exit(130)
    front_door()


if __name__ == "__main__":
    main()
