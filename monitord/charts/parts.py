"""What a chart is made of. Times are POSIX seconds (UTC) as float64, ascending; NaN is a missing value."""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Trace:
    """One line: a quantity at one location over time."""

    style: str
    """Class of the line: `s1`, `s2`, `s3`, or `expected` for a bar where a goal is expected."""
    label: str
    """Stands beside the line; short. Empty: no word."""
    time_s: Array
    value: Array
    uncertainty: Array | None = None
    """Half the width of the band around the line, in the unit of the value. None: no band; where many values share
    a point of the drawing, the line goes through their mean and their range is shaded."""
    interval_s: float = 600.0
    """Nominal time between two values: a much longer one is a gap. [s]"""
    extremes: tuple[Array, Array] | None = None
    """Where a value stands for many: the lowest and the highest of them, each (n,); None: for itself."""

    @property
    def lowest(self) -> Array:
        """The lowest of what each value stands for; the value where that is not known."""
        return self.value if self.extremes is None else np.fmin(self.value, self.extremes[0])

    @property
    def highest(self) -> Array:
        """The highest of what each value stands for."""
        return self.value if self.extremes is None else np.fmax(self.value, self.extremes[1])


@dataclass(frozen=True)
class Level:
    """A limit across the whole chart."""

    value: float
    label: str
    """Stands at its right end; empty: no word."""
    style: str = "goal"
    """Class of the line: `goal`, `caution` for what should stay below it, or `zero`."""


@dataclass(frozen=True)
class Point:
    """One value measured by hand."""

    time_s: float
    value: float
    uncertainty: float | None = None
    """Half the length of the bar through it, in the unit of the value."""


@dataclass(frozen=True)
class Shade:
    """The space between two traces, given by their places: where the first lies above and where it lies below."""

    first: int
    second: int
    above: str | None = None
    """Class of the space where the first lies above; None: it is not shaded."""
    below: str | None = None


@dataclass(frozen=True)
class Marker:
    """Something that happened, as a letter on the time axis and a sentence under the chart."""

    time_s: float
    letter: str
    words: str


@dataclass(frozen=True)
class Out:
    """A time whose readings are out of every verdict. [s]"""

    start_s: float
    end_s: float


@dataclass(frozen=True)
class Window:
    """The time a chart shows, and the zone its axis is in. [s]"""

    start_s: float
    end_s: float
    zone: ZoneInfo

    def __post_init__(self) -> None:
        if not self.end_s > self.start_s:
            raise ValueError(f"the window ends at {self.end_s}, not after its start {self.start_s}")

    @property
    def length_s(self) -> float:
        """How long it is. [s]"""
        return self.end_s - self.start_s


@dataclass(frozen=True)
class Size:
    """The drawing's own units: pixels at full size."""

    name: str
    width: int
    height: int
    left: int = 44
    right: int = 12
    top: int = 26
    bottom: int = 30

    @property
    def plot_width(self) -> int:
        """Width of the part with the lines."""
        return self.width - self.left - self.right

    @property
    def plot_height(self) -> int:
        """Height of the part with the lines."""
        return self.height - self.top - self.bottom


WIDE = Size("wide", 760, 342)
NARROW = Size("narrow", 366, 272)


@dataclass(frozen=True)
class Chart:
    """A chart before it is drawn in any size."""

    title: str
    description: str
    """What a person who can't see it should know: the course in a sentence or two."""
    unit: str
    window: Window
    traces: tuple[Trace, ...]
    levels: tuple[Level, ...] = ()
    points: tuple[Point, ...] = ()
    markers: tuple[Marker, ...] = ()
    outs: tuple[Out, ...] = ()
    min_span: float = 1.0
    """The value axis covers at least this much, so that noise does not look like a mountain."""
    floor: float | None = None
    """The value axis does not go below this unless values do."""
    ceiling: float | None = None
    """The value axis does not go above this unless values do."""
    shades: tuple[Shade, ...] = ()
    """Spaces between two of the traces."""
