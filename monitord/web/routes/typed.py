"""What several forms say in the same way."""

from __future__ import annotations

from datetime import UTC, datetime


def pressed_at(text: str, now: datetime) -> datetime:
    """When a button was pressed, by the phone's clock and never later than ours; ours where the phone did not say.

    A form that was kept without signal is sent later than it was filled in.
    """
    try:
        pressed = datetime.fromisoformat(text)
    except ValueError:
        return now
    return min(pressed.astimezone(UTC), now) if pressed.tzinfo is not None else now
