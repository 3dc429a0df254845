"""Work hours as the office writes them: "07:00-12:00 12:30-16:00"."""

from datetime import time

Shift = tuple[time, time]


class ShiftTextError(ValueError):
    """Raised when a text is not a list of shifts; the message says what to write."""


def parse_shifts(text: str) -> tuple[Shift, ...]:
    """
    Return the shifts of one day, in order; an empty text or "off" is a day without work.

    Raises
    ------
    ShiftTextError
        If a shift is not "HH:MM-HH:MM", ends before it starts, or overlaps the one before it.
    """
    if text.strip().lower() in ("", "off"):
        return ()
    shifts: list[Shift] = []
    for part in text.replace(",", " ").split():
        try:
            start_text, end_text = part.split("-")
            shift = (time.fromisoformat(start_text), time.fromisoformat(end_text))
        except ValueError:
            raise ShiftTextError(
                f"{part!r} is not a shift. Write 07:00-12:00 12:30-16:00, or off."
            ) from None
        if shift[0] >= shift[1]:
            raise ShiftTextError(
                f"{part!r} ends before it starts. Write the earlier time first; "
                "a shift over midnight is two shifts."
            )
        if shifts and shift[0] < shifts[-1][1]:
            raise ShiftTextError(f"{part!r} overlaps the shift before it. Leave no overlap.")
        if any(moment.minute % 15 for moment in shift):
            raise ShiftTextError(f"{part!r} is not on a quarter hour. Use :00, :15, :30 or :45.")
        shifts.append(shift)
    return tuple(shifts)
