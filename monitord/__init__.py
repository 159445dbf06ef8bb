"""monitord: watches wet buildings and floors dry."""

__version__ = "0.1.0"
