"""Job files: TOML or JSON to a `JobFile` and back, with errors that name file, key and remedy.

One schema serves the job that a person writes, the job in the store and the job beside a replay's readings.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Sequence
from datetime import date, datetime, time
from pathlib import Path
from typing import Any, Literal, NoReturn

import tomli_w
from pydantic import ValidationError

from monitord.errors import JobFileError
from monitord.model.explain import Loc, Problem, problems, problems_of, read_toml
from monitord.model.job_files.partial import mistakes_between
from monitord.model.jobs import Calibration, JobFile

JobFormat = Literal["toml", "json"]

_REMEDY = "Correct the file and apply it again; nothing of it was applied"


def load_job_file(path: Path) -> JobFile:
    """Read a job from a `.toml` or `.json` file.

    Raises
    ------
    JobFileError : the file can't be read or is not a job, naming file, key and remedy.
    """
    suffix = path.suffix.lower()
    if suffix not in (".toml", ".json"):
        raise JobFileError(
            f"{suffix or 'no ending'} is not a kind of job file",
            where=str(path),
            remedy="Name it with .toml or .json after what it holds",
        )
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise JobFileError("not UTF-8 text", where=str(path), why=str(error), remedy="Save it as UTF-8") from None
    except OSError as error:
        raise JobFileError(
            "can't be read", where=str(path), why=error.strerror or str(error), remedy="Check path and permissions"
        ) from None
    return parse_job(text, "toml" if suffix == ".toml" else "json", where=str(path))


def parse_job(text: str, file_format: JobFormat, where: str = "job") -> JobFile:
    """A job from the text of a file; `where` names it in errors.

    Raises
    ------
    JobFileError : the text is not a job.
    """
    data = _parse_toml(text, where) if file_format == "toml" else _parse_json(text, where)
    # Through JSON in strict mode, so that TOML and JSON are held to the same rules: "18" is no number.
    as_json = json.dumps(data, default=_plain)
    try:
        return JobFile.model_validate_json(as_json, strict=True)
    except ValidationError as error:
        found = problems(error, JobFile)
    if all(problem.loc for problem in found):  # else the entries have been held against each other already
        found += problems_of(mistakes_between(json.loads(as_json)))
    raise JobFileError.of([_mistake(data, problem, where) for problem in found])


def _mistake(data: Any, problem: Problem, where: str) -> JobFileError:
    entry = _entry_name(data, problem.loc)
    return JobFileError(problem.what, where=f"{where}, {entry}" if entry else where, remedy=problem.remedy or _REMEDY)


def dump_calibrations(checks: Sequence[Calibration]) -> str:
    """Calibrations as they stand in a job file (TOML)."""
    tables = [check.model_dump(mode="python", exclude_none=True, exclude_defaults=True) for check in checks]
    return "\n".join(f"[[calibrations]]\n{tomli_w.dumps(table)}" for table in tables)


def dump_job(job: JobFile, file_format: JobFormat) -> str:
    """The text of a job file; reading it back gives an equal job."""
    if file_format == "json":
        return json.dumps(job.model_dump(mode="json", by_alias=True), indent=2, ensure_ascii=False) + "\n"
    return tomli_w.dumps(job.model_dump(mode="python", by_alias=True, exclude_none=True) | {"format": job.format})


def job_schema() -> dict[str, Any]:
    """The published JSON Schema of a job file (JSON Schema draft 2020-12)."""
    schema = JobFile.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _parse_toml(text: str, where: str) -> Any:
    try:
        return read_toml(text)
    except tomllib.TOMLDecodeError as error:
        raise JobFileError("not valid TOML", where=where, why=str(error), remedy=_REMEDY) from None


def _parse_json(text: str, where: str) -> Any:
    def refuse_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        keys = [key for key, _ in pairs]
        twice = next((key for key in keys if keys.count(key) > 1), None)
        if twice is not None:
            raise JobFileError(f"key `{twice}` stands twice in one object", where=where, remedy="Remove one of them")
        return dict(pairs)

    def refuse_constant(name: str) -> NoReturn:
        raise JobFileError(f"{name} is not a number of JSON", where=where, remedy="Write a finite number or null")

    try:
        return json.loads(text, object_pairs_hook=refuse_twice, parse_constant=refuse_constant)
    except json.JSONDecodeError as error:
        raise JobFileError("not valid JSON", where=where, why=str(error), remedy=_REMEDY) from None
    except (RecursionError, ValueError) as error:  # nested too deep; a whole number of over 4,300 digits
        raise JobFileError("JSON that can't be read", where=where, why=str(error), remedy=_REMEDY) from None


def _entry_name(data: Any, loc: Loc) -> str | None:
    """The id of the list entry that a problem lies in: easier to find in a file than its place in the list."""
    name = None
    for part in loc:
        if isinstance(data, dict) and isinstance(data.get("id"), str):
            name = data["id"]
        try:
            data = data[part]
        except (LookupError, TypeError):
            break
    if isinstance(data, dict) and isinstance(data.get("id"), str):
        name = data["id"]
    return f"entry {name!r}" if name else None


def _plain(value: object) -> str:
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    raise TypeError(f"no JSON form for {type(value).__name__}")
