"""Words on the board: how many fit, and what is said where not all do."""

from __future__ import annotations

from html import escape

LETTER_PX, WORD_LETTER_PX, DAY_LETTER_PX = 6.3, 5.9, 6.3
"""About how wide a letter is: of labels, within bars, of days."""


def text(x: float, y: float, words: str, kind: str, *, anchor: str = "") -> str:
    """Return words as SVG; nothing for none."""
    if not words:
        return ""
    where = f' text-anchor="{anchor}"' if anchor else ""
    return f'<text class="{kind}" x="{x:g}" y="{y:g}"{where}>{escape(words)}</text>'


def fit(words: str, room: float, *, letter_px: float = LETTER_PX) -> str:
    """Return words as far as they fit, with what is left out marked."""
    letters = int(room / letter_px)
    if len(words) <= letters:
        return words
    return "" if letters < 4 else f"{words[: letters - 1].rstrip()}…"


def fits(words: str, room: float, *, letter_px: float = LETTER_PX) -> bool:
    """Return whether words fit whole."""
    return len(words) * letter_px <= room


def in_two_lines(words: str, short: str, room: float) -> tuple[str, ...]:
    """
    Return a reason in one or two lines: whole if it can be, else in short, else as far as it fits.

    A reason cut after two letters tells nothing, so a word that fits whole comes before it.
    """
    if fits(words, room):
        return (words,)
    first, rest = _broken(words, room)
    if first and fits(rest, room):
        return (first, rest)
    if short and fits(short, room):
        return (short,)
    if first:
        return (first, fit(rest, room))
    cut = fit(short or words, room)
    return (cut,) if cut else ()


def _broken(words: str, room: float) -> tuple[str, str]:
    """Return as many whole words as fit on a line, and the others."""
    letters = int(room / LETTER_PX)
    space = words.rfind(" ", 0, letters + 1)
    return (words[:space], words[space + 1 :]) if space > 0 else ("", words)
