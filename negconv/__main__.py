"""``python -m negconv``, and the command."""
import atexit
import os
import signal
import sys

from .cli import DONE, main


def run() -> None:
    """The command, as a process of its own."""
    signal.signal(signal.SIGTERM, _stop)
    status = main()
    if status == DONE:
        # All is written and every executor was left: to take each module apart first takes a hundredth of a second.
        atexit._run_exitfuncs()
        try:
            sys.stdout.flush()
            sys.stderr.flush()
        except (AttributeError, ValueError, OSError):  # closed, or nobody reads them any more: as any program ends
            sys.exit(status)
        os._exit(status)
    sys.exit(status)


def _stop(number: int, _) -> None:
    """SIGTERM ends the command as Ctrl-C does: workers with it, and nothing half-written left; once."""
    signal.signal(number, signal.SIG_IGN)
    raise KeyboardInterrupt(number)


if __name__ == "__main__":
    run()
