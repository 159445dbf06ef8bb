"""The type checker knows that floats give a float and arrays an array, also where floats stand beside arrays."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[3]

TRUE = """
from typing import assert_type
from monitord.physics.moist_air import dew_point, humidity_ratio, vapour_pressure
from monitord.physics.numeric import Array
from monitord.physics.uncertainty import combine
from monitord.physics.units import convert

def check(array: Array) -> None:
    assert_type(dew_point(1000.0), float)
    assert_type(dew_point(array), Array)
    assert_type(vapour_pressure(20, 50.0), float)
    assert_type(vapour_pressure(array, array), Array)
    assert_type(humidity_ratio(array, 101_325.0), Array)
    assert_type(combine(0.1, 0.2, 0.3), float)
    assert_type(combine(array, 0.2), Array)
    assert_type(convert(array, "Pa", "inHg"), Array)
"""
FALSE = """
from monitord.physics.moist_air import dew_point
from monitord.physics.numeric import Array

def check(array: Array) -> float:
    return dew_point(array)
"""


def checked(code: str, cache: Path) -> subprocess.CompletedProcess[str]:
    command = [
        sys.executable,
        "-m",
        "mypy",
        "--config-file=",
        "--strict",
        "--ignore-missing-imports",
        "--cache-dir",
        str(cache),
        "-c",
        code,
    ]
    environment = os.environ | {"MYPYPATH": str(ROOT)}
    return subprocess.run(command, capture_output=True, text=True, cwd=ROOT, env=environment, check=False)


def test_the_type_checker_tells_floats_from_arrays(tmp_path: Path) -> None:
    told = checked(TRUE, tmp_path)
    assert told.returncode == 0, told.stdout
    refused = checked(FALSE, tmp_path)
    assert refused.returncode == 1
    assert "Incompatible return value type" in refused.stdout
