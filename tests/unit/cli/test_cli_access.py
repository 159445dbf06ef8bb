"""`monitord owner` and `monitord token`: the way in for the first owner and for programs."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from monitord.access import signing_in
from monitord.cli import main
from monitord.cli.parsers.access import SCOPES
from monitord.clock import SystemClock
from monitord.model.access import Scope
from monitord.store.access import audit, tokens
from monitord.store.db.database import Database


@pytest.fixture(autouse=True)
def url(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    address = f"sqlite:///{tmp_path}/cli.sqlite3"
    monkeypatch.setenv("MONITORD_DATABASE__URL", address)
    monkeypatch.setenv("MONITORD_WEB__PUBLIC_URL", "https://drying.example.org/")
    return address


def said(capsys: pytest.CaptureFixture[str], *words: str, code: int = 0) -> str:
    assert main(words) == code
    out, err = capsys.readouterr()
    return (err if code else out).strip()


def test_the_link_for_an_owner_leads_to_the_public_address_and_is_on_record(
    url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    link = re.fullmatch(r"https://drying\.example\.org/set-up/([\w-]{43})", said(capsys, "owner", "link"))
    assert link is not None
    db = Database.open(url)
    with db.read() as conn:
        assert signing_in.invited(conn, link[1], SystemClock().now()) is None, "it is for a new owner"
        assert [e.what for e in audit.entries(conn)] == ["made a link for an owner"]
    db.close()


def test_a_token_is_made_shown_once_listed_and_revoked(url: str, capsys: pytest.CaptureFixture[str]) -> None:
    token = said(capsys, "token", "add", "gateway in the hall", "--scope", "ingest")
    assert token.startswith("mnd_")
    shown = said(capsys, "token", "list")
    assert "gateway in the hall" in shown
    assert token not in shown
    db = Database.open(url)
    with db.read() as conn:
        found = tokens.find_token(conn, token)
    assert found is not None
    assert found.scope is Scope.INGEST
    said(capsys, "token", "revoke", "1")
    with db.read() as conn:
        assert tokens.find_token(conn, token) is None
    db.close()
    assert "there is no token 1 that stands" in said(capsys, "token", "revoke", "1", code=1)


def test_the_scopes_of_the_command_line_are_those_of_the_model() -> None:
    assert set(SCOPES) == {scope.value for scope in Scope}
