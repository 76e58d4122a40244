"""The one place where the version stands."""

__version__ = "0.1.0"
