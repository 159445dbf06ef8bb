"""monitord: watches wet buildings and floors dry."""

__version__ = "0.2.0"
"""The one place where the version stands; the package takes it from here."""
