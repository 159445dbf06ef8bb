"""Terms of the glossary lead to it from their first label on a page, and from nowhere that is a link already."""

from __future__ import annotations

import re

import pytest

from monitord.model.units import Units
from monitord.text.catalogue import language
from monitord.web.page_context import environment
from monitord.web.text.glossary_links import link_terms

EN = language()


def linked(body: str) -> str:
    page = link_terms(f"<nav><h2>Dew point</h2></nav><main>{body}</main><footer><dt>RH</dt></footer>", EN)
    found = re.fullmatch(r"<nav><h2>Dew point</h2></nav><main>(.*)</main><footer><dt>RH</dt></footer>", page, re.DOTALL)
    assert found is not None  # only what is in <main> changes
    return found[1]


@pytest.mark.parametrize(
    ("body", "anchor"),
    [
        ("<dl><div><dt>Dew point</dt><dd>4</dd></div></dl>", "dew-point"),
        ('<table><tr><th scope="col">Surface RH</th></tr></table>', "surface-rh"),
        ("<h2>Spot readings</h2>", "spot-reading"),
        ("<dt>Relative humidity</dt>", "rh"),
        ('<span class="state watch"><svg><use href="#i-stall"/></svg>Stalled</span>', "stalled"),
    ],
)
def test_a_label_that_is_a_term_leads_to_its_meaning(body: str, anchor: str) -> None:
    assert f'<a class="term" href="/glossary#{anchor}">' in linked(body)


@pytest.mark.parametrize(
    "body",
    [
        '<h3><a href="/x">Dew point</a></h3>',
        "<details><summary><h2>Dew point</h2></summary></details>",
        '<th scope="row">Cavity</th>',  # the name of a location
        "<h3>Cavity, north wall</h3>",
        "<p>Dew point</p>",
    ],
)
def test_what_is_a_link_already_or_a_name_stays(body: str) -> None:
    assert linked(body) == body


def test_only_the_first_use_is_linked() -> None:
    assert linked("<dt>Dew point</dt><br><dt>Dew point</dt>").count("<a ") == 1


def test_templates_are_spelled_for_their_reader_and_what_people_typed_is_not() -> None:
    metric, us = (environment(units).from_string("<p>Vapour of {{ label }}</p>") for units in Units)
    assert metric.render(label="Mould Lane") == "<p>Vapour of Mould Lane</p>"
    assert us.render(label="Mould Lane") == "<p>Vapor of Mould Lane</p>"
