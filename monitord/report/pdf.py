"""A report as PDF by typst: tagged (PDF/UA-1), the same bytes for the same contents, readable in black and white."""

from __future__ import annotations

import json
import tempfile
from importlib import resources
from pathlib import Path

import typst

from monitord.errors import ConfigurationError
from monitord.report.document import Contents, document

LOGOS = {".png", ".svg", ".jpg", ".jpeg"}


def pdf_report(contents: Contents, logo: Path | None = None) -> bytes:
    """The report's bytes.

    Fonts are those that come with the typesetter, so that a report looks the same on every machine; nothing is
    fetched.

    Raises
    ------
    ConfigurationError : the logo can't be read or is no picture.
    """
    template = resources.files("monitord.report") / "templates" / "report.typ"
    with tempfile.TemporaryDirectory(prefix="monitord-report-") as folder:
        root = Path(folder)
        (root / "report.typ").write_text(template.read_text(encoding="utf-8"), encoding="utf-8")
        name = None if logo is None else _copied(logo, root)
        (root / "data.json").write_text(json.dumps(document(contents, name)), encoding="utf-8")
        for number, drawing in enumerate(contents.drawings):
            (root / f"chart-{number}.svg").write_text(drawing.svg, encoding="utf-8")
        if contents.plan is not None:
            (root / "plan.jpg").write_bytes(contents.plan)
        for digest, jpeg in contents.photos.items():
            (root / f"photo-{digest}.jpg").write_bytes(jpeg)
        try:
            made = typst.compile(
                str(root / "report.typ"), root=str(root), ignore_system_fonts=True, format="pdf", pdf_standards="ua-1"
            )
        except typst.TypstError as error:
            raise ConfigurationError(
                "the report could not be set", why=str(error), remedy="Leave the logo out, or give a PNG or SVG"
            ) from None
    return bytes(made)


def _copied(logo: Path, root: Path) -> str:
    suffix = logo.suffix.lower()
    if suffix not in LOGOS:
        raise ConfigurationError(
            f"{suffix or 'no ending'} is no picture that a report takes", where=str(logo), remedy="Give a PNG or SVG"
        )
    try:
        (root / f"logo{suffix}").write_bytes(logo.read_bytes())
    except OSError as error:
        raise ConfigurationError(
            "the logo can't be read", where=str(logo), why=error.strerror, remedy="Correct `report.logo`"
        ) from None
    return f"logo{suffix}"
