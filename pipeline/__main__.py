"""Where the command starts: the front door is loaded here, so that Ctrl-C meanwhile ends quietly."""

from __future__ import annotations

import signal
import sys


def main() -> None:
    """Run the command line and exit with its code."""
    for name in ("SIGTERM", "SIGHUP"):  # asked to end, or the terminal was closed: as after Ctrl-C
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, signal.default_int_handler)
    try:
        from pipeline.cli import main as front_door
    except KeyboardInterrupt:
        sys.stderr.write("Stopped.\n")
        sys.exit(130)
    front_door()


if __name__ == "__main__":
    main()
