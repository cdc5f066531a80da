"""What the terminal can draw, asked once before the program takes it over.

One question goes out for pixel graphics (APC ``G``, ``a=q``), for the size of a cell
(XTWINOPS 16) and for the device's attributes (DA1, ECMA-48; attribute 4 says Sixel). Terminals
answer in the order they were asked and all of them answer the last one, so what has not come by
then will not come: nothing waits for a time to pass. The program loads meanwhile.
"""

from __future__ import annotations

import contextlib
import os
import re
import select
import struct
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import Enum

_QUESTION = "\x1b_Gi=31,s=1,v=1,a=q,t=d,f=24;AAAA\x1b\\" + "\x1b[16t" + "\x1b[c"
_GRAPHICS = re.compile(rb"\x1b_Gi=31;OK")
_CELL = re.compile(rb"\x1b\[6;(\d{1,3});(\d{1,3})t")
_ATTRIBUTES = re.compile(rb"\x1b\[\?([\d;]*)c")

_LEAST_COLOURS = 8
"""Of terminfo; its entries for monochrome terminals have none or two."""

_WAIT_SECONDS = 0.3
"""After the question; a terminal that answers late would type its answer into the program."""


def monochrome(term: str) -> bool:
    """Return whether a terminal of this name has no colours; one that is not known may have."""
    import curses

    try:
        curses.setupterm(term or "unknown", 0)
    except curses.error:
        return False
    return curses.tigetnum("colors") < _LEAST_COLOURS


class Way(Enum):
    """How a picture is put on the screen."""

    CELLS = "half blocks, two pixels a cell"
    SIXEL = "Sixel graphics"
    PIXELS = "the graphics protocol that sends pictures in APC sequences"


@dataclass(frozen=True, slots=True)
class Terminal:
    """How it draws pictures; the width and height of a cell in pixels."""

    way: Way = Way.CELLS
    cell_width: int = 10
    cell_height: int = 20


def understood(answer: bytes, size: tuple[int, int, int, int] = (0, 0, 0, 0)) -> Terminal:
    """Make sense of an answer; ``size`` is what the system says: rows, columns, and in pixels."""
    rows, columns, width, height = size
    cell = (width // columns, height // rows) if rows and columns else (0, 0)
    if not all(cell) and (told := _CELL.search(answer)):
        cell = (int(told[2]), int(told[1]))
    if not all(cell):
        cell = (10, 20)
    way = Way.CELLS
    attributes = _ATTRIBUTES.search(answer)
    if attributes and b"4" in attributes[1].split(b";"):
        way = Way.SIXEL
    elif _GRAPHICS.search(answer):
        way = Way.PIXELS
    return Terminal(way, *cell)


@contextlib.contextmanager
def asked() -> Iterator[Callable[[], Terminal]]:
    """Ask the terminal now; the function that is given reads the answer, later.

    Between the two the terminal echoes nothing, so that its answer is not seen. Where standard
    input or output is no terminal, nothing is asked and half blocks it is.
    """
    if not (sys.stdin.isatty() and sys.stdout.isatty()) or os.environ.get("TERM") == "dumb":
        yield Terminal
        return
    import fcntl
    import termios
    import tty

    keyboard = sys.stdin.fileno()
    before = termios.tcgetattr(keyboard)
    tty.setcbreak(keyboard, termios.TCSANOW)
    try:
        sys.stdout.write(_QUESTION)
        sys.stdout.flush()
        deadline = time.monotonic() + _WAIT_SECONDS

        def read() -> Terminal:
            answer = b""
            while not _ATTRIBUTES.search(answer):
                left = max(deadline - time.monotonic(), 0.0)
                if not select.select([keyboard], [], [], left)[0]:
                    break
                answer += os.read(keyboard, 1024)
            packed = fcntl.ioctl(sys.stdout.fileno(), termios.TIOCGWINSZ, bytes(8))
            return understood(answer, struct.unpack("4H", packed))

        yield read
    finally:
        termios.tcsetattr(keyboard, termios.TCSANOW, before)
