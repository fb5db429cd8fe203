"""The command as a process of its own."""
from __future__ import annotations

import subprocess
import sys


def test_a_warning_printed_while_a_capture_is_decoded_is_not_lost():
    """Decoding silences the process's standard error, and goes on beside frames that have something to say."""
    code = """
import os, sys
from negconv import __main__ as command
from negconv.raw import _SILENCE
def main():
    with _SILENCE:
        os.write(2, b"LibRaw's")
        print("ours", file=sys.stderr)
    print("and after", file=sys.stderr)
    return 0
command.main = main
command.run()
"""
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stderr == "ours\nand after\n"
