"""Parameters of addresses that several routes share."""

from __future__ import annotations

from typing import Annotated

from fastapi import Path

Episode = Annotated[int, Path(ge=1, le=2**31 - 1)]
"""Which time an alert is open, from 1; no database is asked for a number that it could not hold."""
