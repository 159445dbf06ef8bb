"""The templates of messages, in one language: layout here, words from the catalogue."""

from __future__ import annotations

from datetime import datetime, tzinfo
from functools import cached_property, lru_cache, partial
from pathlib import Path

import jinja2

from monitord.errors import ConfigurationError
from monitord.model.units import Units, quantity_in
from monitord.text.catalogue import FALLBACK, Language, language
from monitord.text.speaker import Speaker

OWN = Path(__file__).parent / "templates"
_REMEDY = "Correct that file of the firm's own templates, or remove it to use the one that comes with the program"


class Templates:
    """The templates of one language: the firm's own first, then the program's, which speak every language.

    Parameters
    ----------
    templates_dir : the firm's folder, with `LANGUAGE/*.j2` for layouts and `LANGUAGE.po` for words of its own.
    """

    def __init__(self, name: str = FALLBACK, templates_dir: Path | None = None) -> None:
        self.language: Language = language(name, templates_dir)
        names = dict.fromkeys((name, name.split("-", maxsplit=1)[0], FALLBACK))
        own = [] if templates_dir is None else [templates_dir / one for one in names]
        self._folders = [folder for folder in (*own, OWN) if folder.is_dir()]

    @cached_property
    def _environment(self) -> jinja2.Environment:
        environment = jinja2.Environment(
            loader=jinja2.FileSystemLoader(self._folders),
            autoescape=lambda name: name is not None and ".html" in name,
            undefined=jinja2.StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            keep_trailing_newline=False,
        )
        environment.globals["_"] = self.text
        return environment

    def render(self, template: str, **values: object) -> str:
        """A template filled in.

        Raises
        ------
        ConfigurationError : a firm's own template does not work.
        """
        try:
            return self._environment.get_template(template).render(**values).strip() + "\n"
        except jinja2.TemplateError as error:
            name = getattr(error, "filename", None) or template
            raise ConfigurationError(
                "a message template does not work", where=str(name), why=str(error), remedy=_REMEDY
            ) from error

    def text(self, message: str, **slots: object) -> str:
        """A message of the catalogue with its slots filled."""
        return self.language.text(message).format(**slots)

    def speaker(self, zone: tzinfo, now: datetime, units: Units) -> Speaker:
        """Who puts facts into words in this language, for a reader of these units."""
        return Speaker(self.language, zone, now, partial(quantity_in, units=units))


@lru_cache(maxsize=32)
def templates_of(name: str, templates_dir: Path | None) -> Templates:
    """The templates of a language, read once."""
    return Templates(name, templates_dir)
