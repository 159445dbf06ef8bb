"""Figures drawn once for all who look at them, until a reading lands that they show.

What a figure shows is the job, the window, what was flagged, when alerts opened, and readings; a figure holds nothing
of whoever looks at it but their units and year. That no reading has come is seen by counting them.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from sqlalchemy import Connection

from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import Location
from monitord.web.charts.damage_figures import damage_figures
from monitord.web.charts.estimate_series import HoursKept
from monitord.web.charts.figure_parts import Figure, Scene
from monitord.web.charts.figures import SURFACE, air_figures, figures_of, surface_figures
from monitord.web.charts.series import Window
from monitord.web.kept import Kept
from monitord.web.queries import JobState
from monitord.web.text.words import english
from monitord.web.visitor import for_all

_MAX_BYTES = 48 * 2**20
"""Of the drawings that are kept. Our choice: some two hundred pages of charts."""


class FiguresKept:
    """The figures of the locations that were looked at last, of one database."""

    def __init__(self, options: AnalysisOptions) -> None:
        self.hours = HoursKept(options)
        self._drawn: Kept[list[Figure]] = Kept(_MAX_BYTES, _size)

    def of_readings(
        self, conn: Connection, scene: Scene, location: Location, surface: Location | None = None
    ) -> list[Figure]:
        """What `figures_of` draws; where no surface is among it, that of `surface` as well."""
        window = Window(conn, scene.job, scene.start, scene.end, scene.options)
        found = self._counted("readings", window, scene, location, lambda: figures_of(window, scene, location))
        if surface is None or any(one.id == SURFACE for one in found):
            return found
        return found + self._counted("surface", window, scene, surface, lambda: surface_figures(window, scene, surface))

    def of_air(self, conn: Connection, scene: Scene, location: Location) -> list[Figure]:
        """What `air_figures` draws."""
        window = Window(conn, scene.job, scene.start, scene.end, scene.options)
        return self._counted("air", window, scene, location, lambda: air_figures(window, scene, location))

    def of_estimates(self, conn: Connection, scene: Scene, state: JobState, location: Location) -> list[Figure]:
        """What `damage_figures` draws."""
        hours = self.hours.hours(conn, state)
        if hours is None:
            return []
        return self._kept(
            "estimates",
            scene,
            location,
            (hours,),
            lambda: damage_figures(scene, location, self.hours.estimates(conn, state, location)),
        )

    def _counted(
        self, what: str, window: Window, scene: Scene, location: Location, draw: Callable[[], list[Figure]]
    ) -> list[Figure]:
        """What is drawn of readings, kept where these can be counted."""
        count = window.count(location)
        return draw() if count is None else self._kept(what, scene, location, (count,), draw)

    def _kept(
        self, what: str, scene: Scene, location: Location, made_of: tuple[object, ...], draw: Callable[[], list[Figure]]
    ) -> list[Figure]:
        job, read_as = scene.job, (scene.units, scene.times.year, english().name)
        window: tuple[datetime, datetime] = (scene.start, scene.end)
        key = (what, job.job, location.id, window, read_as)

        def drawn() -> list[Figure]:
            with for_all():
                return draw()

        return self._drawn.of(key, (job, scene.flags, scene.openings, scene.forecast, *made_of), drawn)


def _size(figures: list[Figure]) -> int:
    """The text of some figures, near enough. [bytes]"""
    return 1000 + sum(len(one.wide) + len(one.narrow) + len(one.captions[0]) for one in figures)
