"""Tables in the units of their reader, against the factors of NIST Special Publication 811 (2008), appendix B.8."""

from __future__ import annotations

import pytest

from monitord.model.units import Units
from monitord.report.tables_read import as_read


def us(header: tuple[str, ...], row: tuple[object, ...]) -> dict[str, object]:
    names, rows = as_read(header, [row], Units.US)  # type: ignore[list-item]
    return dict(zip(names, next(iter(rows)), strict=True))


def test_metric_tables_are_given_back_as_they_are() -> None:
    header, rows = ("temperature [degC]",), [(20.0,)]
    assert as_read(header, rows, Units.METRIC) == (header, rows)


def test_a_column_is_converted_by_the_unit_in_its_header() -> None:
    """20 °C are 68 °F, a difference of 0.5 K is 0.9 °F, an inch is 25.4 mm; what has no unit stays."""
    found = us(("probe", "temperature [degC]", "correction [K]", "depth [mm]", "note"), ("p1", 20.0, 0.5, 25.4, None))
    assert found == {
        "probe": "p1",
        "temperature [degF]": pytest.approx(68.0),
        "correction [degF]": pytest.approx(0.9),
        "depth [in]": pytest.approx(1.0),
        "note": None,
    }


def test_a_number_whose_unit_its_kind_names_is_converted_with_the_name() -> None:
    spot = us(("kind", "shown", "correction", "u (k = 1)"), ("surface_temperature_c", 10.0, -0.5, 1.0))
    assert spot["kind"] == "surface temperature [degF]"
    assert [spot[name] for name in ("shown", "correction", "u (k = 1)")] == pytest.approx([50.0, -0.9, 1.8])
    goal = us(("goal", "limit"), ("vp_excess_pa", 100.0))
    assert (goal["goal"], goal["limit"]) == ("vp excess [inHg]", pytest.approx(0.0295, abs=1e-4))
    wood = us(("kind", "shown"), ("wood_moisture_pct", 18.0))
    assert (wood["kind"], wood["shown"]) == ("wood_moisture_pct", 18.0)
