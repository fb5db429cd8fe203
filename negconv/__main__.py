"""``python -m negconv``, and the command."""
import atexit
import os
import signal
import sys

from .cli import DONE, main


def run() -> None:
    """The command, as a process of its own."""
    signal.signal(signal.SIGTERM, _stop)
    _have_own_stderr()
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


def _have_own_stderr() -> None:
    """What Python says goes out by a descriptor of its own: LibRaw's is silenced while it decodes (`raw`), and that is done
    beside other work that has warnings to print."""
    try:
        sys.stderr = open(os.dup(sys.stderr.fileno()), "w", buffering=1, encoding=sys.stderr.encoding, errors=sys.stderr.errors)
    except (AttributeError, ValueError, OSError):  # there is none
        pass


if __name__ == "__main__":
    run()
