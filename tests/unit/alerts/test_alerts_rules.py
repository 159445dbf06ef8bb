"""Rules as data: the defaults are whole, and a rule file is checked before any of it is used."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitord.alerts.lifecycle.rule_files import default_rule_book, rule_book
from monitord.alerts.lifecycle.rules import Rule
from monitord.errors import ConfigurationError
from monitord.model.alerts import Severity
from monitord.model.assessments import Finding
from monitord.model.facts import Facts, FindingKind, Truth
from monitord.model.quantity import Quantity

FILES = Path(__file__).parent / "alert_rule_files"
GOOD = sorted((FILES / "good").glob("*.toml"))
BAD = sorted((FILES / "bad").glob("*.toml"))

KINDS = {kind.value for kind in FindingKind}


def test_every_kind_of_finding_has_a_default_rule() -> None:
    assert set(default_rule_book().kinds) >= KINDS


def test_the_least_drying_potential_is_the_worst() -> None:
    def deficit(pa: float) -> Finding:
        facts = Facts(value=Quantity(value=pa, unit="Pa"))
        return Finding(
            kind=FindingKind.DRIVE_LOST, measured_at=datetime(2025, 3, 1, tzinfo=UTC), facts=facts, truth=Truth.TRUE
        )

    rule = default_rule_book().rule_for("drive_lost", "J1", None)
    assert rule is not None
    assert rule.worse(deficit(290.0), deficit(1190.0))


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_a_default_rule_says_what_it_is_about_and_leaves_no_value_undecided(kind: str) -> None:
    rule = default_rule_book().rule_for(kind, "J1", None)
    assert rule is not None
    assert len(rule.about) > 20
    found = Finding(kind=FindingKind(kind), measured_at=datetime(2025, 3, 1, tzinfo=UTC), value=rule.raise_at)
    if rule.raise_at is None or rule.clear_at is None:
        for truth in Truth:
            assert rule.evaluate(found.model_copy(update={"truth": truth}), holds=False) is truth
        return
    assert rule.evaluate(found, holds=False) is Truth.TRUE
    past = rule.clear_at - 1e-6 if rule.above else rule.clear_at + 1e-6
    assert rule.evaluate(found.model_copy(update={"value": past}), holds=True) is Truth.FALSE
    assert rule.evaluate(found.model_copy(update={"value": None}), holds=True) is Truth.UNKNOWN


def test_published_limits_are_the_published_ones() -> None:
    """Wood Handbook, chapter 14: 20 % MC is the practice limit. Hukka and Viitanen 1999: index 1 growth under a
    microscope, 3 visible."""
    book = default_rule_book()
    wood, mould = book.rule_for("wood_decay", "J", None), book.rule_for("mould", "J", None)
    assert wood is not None
    assert mould is not None
    assert wood.raise_at == 20.0
    assert (mould.raise_at, mould.severity_steps[-1].raise_at) == (1.0, 3.0)


def test_a_silent_gateway_is_named_before_its_probes() -> None:
    book = default_rule_book()
    gateway, probe = (book.rule_for(kind, "J", None) for kind in ("gateway_silent", "probe_silent"))
    assert gateway is not None
    assert probe is not None
    assert gateway.raise_at < probe.raise_at


@pytest.mark.parametrize("path", GOOD, ids=lambda p: p.stem)
def test_a_good_file_is_taken(path: Path) -> None:
    """Its `# expect:` comment names what must be true of the book."""
    book = rule_book(path)
    expectations = [line for line in path.read_text().splitlines() if line.startswith("# expect: ")]
    assert expectations
    for line in expectations:
        kind, job, location, key, wanted = line.removeprefix("# expect: ").split()
        rule = book.rule_for(kind, job, location)
        shown = "off" if rule is None else str(getattr(rule, key))
        assert shown == wanted, line


@pytest.mark.parametrize("path", BAD, ids=lambda p: p.stem)
def test_a_bad_file_is_refused_whole_with_file_key_and_remedy(path: Path) -> None:
    """Its first line names a part of the complaint."""
    wanted = path.read_text().splitlines()[0].removeprefix("# refused: ")
    with pytest.raises(ConfigurationError) as refused:
        rule_book(path)
    message = refused.value.message
    assert wanted in message
    assert path.name in message
    assert refused.value.remedy


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match=r"can't be read .*Correct alerts\.rules_file"):
        rule_book(tmp_path / "none.toml")


def test_a_firms_file_leaves_the_other_keys_as_they_are(tmp_path: Path) -> None:
    path = tmp_path / "rules.toml"
    path.write_text("[rules.condensation]\nhold_s = 7200\n")
    ours, theirs = (book.rule_for("condensation", "J", None) for book in (default_rule_book(), rule_book(path)))
    assert ours is not None
    assert theirs is not None
    assert theirs.model_copy(update={"hold_s": ours.hold_s}) == ours


def test_severity_steps_in_toml_reach_the_rule() -> None:
    text = 'kind="x"\nunit="1"\nraise_at=1\nclear_at=1\nseverity_steps=[{raise_at=2, clear_at=2, severity="act"}]'
    assert Rule.model_validate(tomllib.loads(text)).severity_of(2.0) is Severity.ACT


@pytest.mark.parametrize(("known", "severity"), [(True, Severity.ACT), (False, Severity.WATCH), (None, Severity.ACT)])
def test_getting_wet_is_milder_where_weather_cannot_be_told_from_a_leak(known: bool | None, severity: Severity) -> None:
    rule = default_rule_book().rule_for("rewetting", "J", None)
    assert rule is not None
    found = Finding(
        kind=FindingKind.REWETTING, measured_at=datetime(2026, 1, 1, tzinfo=UTC), facts=Facts(outdoor_known=known)
    )
    assert rule.severity_for(found) is severity
