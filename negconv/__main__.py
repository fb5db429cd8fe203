"""``python -m negconv``, and the command."""
import atexit
import os
import signal
import sys

from .cli import main


def run() -> None:
    """The command, as a process of its own."""
    status: list[int] = []
    # What is registered first is called last: every thread has ended by then.
    atexit.register(_leave, status)
    signal.signal(signal.SIGTERM, _stop)
    _have_own_stderr()
    status.append(main())
    sys.exit(status[0])


def _leave(status: list[int]) -> None:
    """All is said and done: to take each module apart first takes a hundredth of a second, and where an interrupt came while a
    string was executed, as dataclasses do, Python would end itself by SIGINT, whatever became of the interrupt."""
    try:
        sys.stdout.flush()
        sys.stderr.flush()
    except (AttributeError, ValueError, OSError):  # closed, or nobody reads them any more: as any program ends
        return
    if status:
        os._exit(status[0])


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
