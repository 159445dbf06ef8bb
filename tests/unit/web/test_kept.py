"""What is kept of frozen things: made once, and anew as soon as one of them is another."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import web_support as support

from monitord.model.quantity import Quantity
from monitord.store import assessments, jobs
from monitord.store.db.database import Database
from monitord.store.db.parsed import Parsed
from monitord.web.kept import Kept


def test_a_document_is_parsed_once_and_another_one_of_the_same_key_again() -> None:
    parsed, first, second = Parsed(Quantity, keep=2), *(Quantity(value=v, unit="Pa") for v in (1.0, 2.0))
    made = parsed.of("a", first.model_dump_json())
    assert parsed.of("a", str(first.model_dump_json())) is made
    assert parsed.of("a", second.model_dump_json()) == second
    for key in "bc":
        parsed.of(key, first.model_dump_json())
    assert parsed.of("a", second.model_dump_json()) is not parsed.of("b", first.model_dump_json())


def test_a_value_is_made_anew_when_it_is_made_of_something_else() -> None:
    kept, made = Kept[int](keep=1), []
    for source in ((1, 2), tuple([1, 2]), (1, 3)):
        kept.of("key", (source,), lambda: made.append(1) or len(made))
    assert len(made) == 2
    kept.of("other", (), lambda: 0)
    kept.of("key", ((1, 3),), lambda: made.append(1) or len(made))
    assert len(made) == 3, "only so many are kept"


def test_what_was_asked_for_last_is_kept_up_to_a_size() -> None:
    kept = Kept[str](keep=10, size=len)
    kept.of("a", (), lambda: "1234")
    kept.of("b", (), lambda: "1234")
    kept.of("a", (), lambda: "not made")
    kept.of("c", (), lambda: "1234")
    assert kept.of("a", (), lambda: "anew") == "1234"
    assert kept.of("b", (), lambda: "12345") == "12345", "asked for longest ago, it went"
    assert kept.of("big", (), lambda: "more than is kept") == "more than is kept"
    assert kept.of("a", (), lambda: "anew") == "anew", "what is larger than all pushes out all, itself too"


def test_what_is_shown_is_what_is_stored_in_each_of_two_databases(tmp_path: Path) -> None:
    stores = [Database.open(f"sqlite:///{tmp_path}/{name}.sqlite3") for name in "ab"]
    assessed = support.assessment()
    later = assessed.model_copy(update={"as_of": assessed.as_of + timedelta(hours=1)})
    for db, job, one in ((stores[0], "Mill Lane", assessed), (stores[1], "Mill Street", later)):
        with db.write() as conn:
            jobs.apply_job(conn, support.MILL_LANE.model_copy(update={"name": job}))
            assessments.save_assessment(conn, one)
    for _ in range(2):
        for db, name, one in ((stores[0], "Mill Lane", assessed), (stores[1], "Mill Street", later)):
            with db.read() as conn:
                found = jobs.get_job(conn, support.MILL_LANE.job)
                assert found is not None
                assert found.name == name
                assert assessments.latest_assessment(conn, support.MILL_LANE.job) == one
    for db in stores:
        db.close()
