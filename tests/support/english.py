"""Sentences in English, as a test reads them: metric, in UTC, as of one moment."""

from __future__ import annotations

from datetime import UTC, datetime

from monitord.text.catalogue import language
from monitord.text.speaker import Speaker

ENGLISH = Speaker(language(), UTC, datetime(2025, 1, 6, tzinfo=UTC))
