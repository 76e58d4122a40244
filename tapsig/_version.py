"""The one place where the version stands."""

__version__ = "0.2.0"
