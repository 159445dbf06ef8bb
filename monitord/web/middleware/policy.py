"""Who may ask for what: every route of the dashboard, and what it takes. What does not stand here is the owner's."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from starlette.routing import compile_path

from monitord.model.access import Role, Scope, Visitor


class Need(StrEnum):
    """What a route takes."""

    NOTHING = "nothing"
    """Anyone: the page itself asks for a secret, or tells nothing."""
    VIEWER = "viewer"
    TECHNICIAN = "technician"
    OWNER = "owner"
    TOKEN = "token"
    """A program's token, and no person."""


@dataclass(frozen=True)
class Rule:
    """What one route takes."""

    method: str
    path: str
    need: Need
    scope: Scope | None = None
    """A token of this scope will do as well."""

    def admits(self, visitor: Visitor) -> bool:
        """Whether a visitor may pass; which jobs they may see is another question."""
        if self.need is Need.NOTHING:
            return True
        if visitor.scope is not None:
            return visitor.scope is self.scope
        return visitor.role is not None and self.need is not Need.TOKEN and visitor.role.covers(Role(self.need.value))


def _rules(need: Need, *routes: str, scope: Scope | None = None) -> list[Rule]:
    return [Rule(method, path, need, scope) for method, path in (route.split(" ") for route in routes)]


RULES: tuple[Rule, ...] = (
    *_rules(
        Need.NOTHING,
        "GET /healthz",
        "GET /readyz",
        "GET /static/{path:path}",
        "GET /sign-in",
        "POST /sign-in",
        "GET /set-up/{secret}",
        "POST /set-up/{secret}",
        "GET /enter/{secret}",
        "GET /c/{token}",
        "GET /link/{purpose}/{token}",
        "POST /link/{purpose}/{token}",
    ),
    *_rules(
        Need.VIEWER,
        "GET /",
        "GET /jobs/{job_id}",
        "GET /jobs/{job_id}/locations/{location_id}",
        "GET /jobs/{job_id}/readiness",
        "GET /jobs/{job_id}/report.pdf",
        "GET /jobs/{job_id}/notes",
        "GET /jobs/{job_id}/plan",
        "GET /jobs/{job_id}/equipment",
        "GET /jobs/{job_id}/calibrations",
        "GET /jobs/{job_id}/checks",
        "GET /jobs/{job_id}/checks/{number}",
        "GET /jobs/{job_id}/photos/{digest}",
        "GET /probes",
        "GET /glossary",
        "GET /alerts",
        "GET /alerts/{fingerprint}/{episode}",
        "GET /settings",
        "POST /settings/password",
        "POST /settings/sessions/{digest}/end",
        "POST /sign-out",
    ),
    *_rules(
        Need.VIEWER,
        "GET /jobs/{job_id}/locations/{location_id}/readings.csv",
        "GET /jobs/{job_id}/job.toml",
        "GET /jobs/{job_id}/dates.ics",
        "GET /api/jobs",
        "GET /api/jobs/{job_id}",
        "GET /api/jobs/{job_id}/series",
        "GET /api/jobs/{job_id}/locations/{location_id}/readings",
        "GET /api/alerts",
        "GET /api/probes",
        "GET /api/quarantine",
        "GET /api/openapi.json",
        scope=Scope.READ,
    ),
    *_rules(Need.OWNER, "GET /metrics", scope=Scope.READ),
    *_rules(Need.TOKEN, "POST /api/readings/{topic:path}", scope=Scope.INGEST),
    *_rules(
        Need.TECHNICIAN,
        "POST /alerts/{fingerprint}/{episode}/seen",
        "POST /alerts/{fingerprint}/{episode}/mute",
        "GET /place",
        "GET /probes/labels",
        "GET /jobs/{job_id}/place",
        "POST /jobs/{job_id}/place",
        "POST /jobs/{job_id}/remove",
        "GET /new-job",
        "POST /new-job",
        "GET /jobs/{job_id}/edit",
        "POST /jobs/{job_id}/edit",
        "POST /jobs/{job_id}/close",
        "GET /jobs/{job_id}/round",
        "POST /jobs/{job_id}/round",
        "POST /jobs/{job_id}/equipment",
        "GET /jobs/{job_id}/equipment/new",
        "POST /jobs/{job_id}/equipment/new",
        "POST /jobs/{job_id}/equipment/out",
        "GET /jobs/{job_id}/locations/{location_id}/edit",
        "POST /jobs/{job_id}/locations/{location_id}/edit",
        "GET /jobs/{job_id}/slabs/new",
        "POST /jobs/{job_id}/slabs/new",
        "GET /jobs/{job_id}/slabs/{slab_id}/edit",
        "POST /jobs/{job_id}/slabs/{slab_id}/edit",
        "POST /jobs/{job_id}/slabs/{slab_id}/remove",
        "POST /jobs/{job_id}/calibrations",
        "POST /jobs/{job_id}/calibrations/remove",
        "POST /jobs/{job_id}/checks",
        "POST /jobs/{job_id}/checks/{number}/end",
        "POST /jobs/{job_id}/checks/{number}/record",
        "POST /jobs/{job_id}/plan",
        "POST /jobs/{job_id}/plan/point",
        "POST /jobs/{job_id}/plan/point/remove",
        "POST /jobs/{job_id}/plan/remove",
        "POST /jobs/{job_id}/notes",
        "POST /jobs/{job_id}/notes/{note_id}/delete",
        "GET /jobs/{job_id}/share",
        "POST /jobs/{job_id}/share",
        "POST /jobs/{job_id}/share/{link_id}/end",
        "POST /mutes",
        "POST /mutes/{mute_id}/end",
        "POST /jobs/{job_id}/pause",
        "POST /jobs/{job_id}/resume",
        "POST /jobs/{job_id}/readiness/sign",
        "GET /jobs/{job_id}/evidence.zip",
        "POST /jobs/{job_id}/readiness/withdraw",
    ),
    *_rules(
        Need.OWNER,
        "GET /settings/people",
        "POST /settings/people",
        "POST /settings/people/{person}",
        "POST /settings/people/{person}/invite",
        "POST /settings/people/{person}/end",
        "POST /settings/tokens",
        "POST /settings/tokens/{token_id}/end",
        "GET /settings/changes",
        "GET /settings/rules",
        "POST /settings/rules",
        "GET /settings/defaults",
        "POST /settings/defaults",
        "GET /settings/channels",
        "POST /settings/channels/test",
        "POST /jobs/{job_id}/delete",
    ),
)

_PATTERNS: list[tuple[re.Pattern[str], Rule]] = [(compile_path(rule.path)[0], rule) for rule in RULES]


def rule_for(method: str, path: str) -> tuple[Rule, dict[str, str]]:
    """The rule that holds for a request, and what its path names; the owner's where nothing is said."""
    wanted = "GET" if method == "HEAD" else method
    for pattern, rule in _PATTERNS:
        found = pattern.match(path)
        if found is not None and rule.method == wanted:
            return rule, found.groupdict()
    return Rule(wanted, path, Need.OWNER), {}


def methods_of(path: str) -> list[str]:
    """By which methods a path may be asked for, whoever asks; none where there is no such path."""
    return sorted({rule.method for pattern, rule in _PATTERNS if pattern.match(path) is not None})
