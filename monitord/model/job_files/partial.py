"""What of a job file can be read although entries of it are wrong, so that all its mistakes are reported at once."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from monitord.model.explain import is_list, key_name, models_in
from monitord.model.job_files import consistency
from monitord.model.jobs import JobFile

M = TypeVar("M", bound=BaseModel)

_STAND_INS = {"job": "job", "start": datetime(1970, 1, 1, tzinfo=UTC).isoformat()}
"""For keys that every job needs."""


def mistakes_between(data: Any) -> list[str]:
    """Which entries contradict each other, as `what; remedy`, among those that can be read.

    Parameters
    ----------
    data : what the file holds, as plain JSON values. Entries with mistakes of their own are taken without the keys
        that are wrong, or left out; their ids stay known.
    """
    if not isinstance(data, dict):
        return []
    lists = {
        name: (key_name(name, field), models_in(field.annotation)[0])
        for name, field in JobFile.model_fields.items()
        if is_list(field.annotation)
    }
    job = _readable(JobFile, {"job": "job", "start": data.get("start")})
    ends = _readable(JobFile, {**_STAND_INS, "end": data.get("end")})
    if job is None or ends is None:
        job, ends = JobFile.model_validate(_STAND_INS), None  # no start, so nothing to hold the end against
    entries: dict[str, Any] = {
        name: tuple(entry for one in _listed(data.get(key)) if (entry := _readable(model, one)) is not None)
        for name, (key, model) in lists.items()
    }
    named = (one.get("id") for one in _listed(data.get("locations")) if isinstance(one, dict))
    entries["end"] = None if ends is None else ends.end
    return consistency.mistakes_between(
        job.model_copy(update=entries), {name for name in named if isinstance(name, str)}
    )


def _listed(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _readable(model: type[M], entry: Any) -> M | None:
    """An entry without the keys that are wrong; None where it can't be read without them."""
    while isinstance(entry, dict):
        try:
            return model.model_validate_json(json.dumps(entry), strict=True)
        except ValidationError as error:
            wrong = {detail["loc"][0] for detail in error.errors(include_url=False) if detail["loc"]}
        kept = {key: value for key, value in entry.items() if key not in wrong}
        if len(kept) == len(entry):
            return None
        entry = kept
    return None
