"""The errors that tapsig raises, and its warning.

A message names the file or parameter, the value found, what is allowed, and the next step.
"""


class TapsigError(Exception):
    """Base of all errors raised by tapsig; its text is meant for the user."""


class RecordingError(TapsigError):
    """A recording (WAV or CSV), or a corpus manifest, cannot be used as it is."""


class RecordingWarning(UserWarning):
    """A recording was read, but its file has a fault or lacks a fact that was assumed."""


class LabelError(TapsigError):
    """A label file, or the labels of a recording, cannot be used as they are."""


class ParameterError(TapsigError, ValueError):
    """An argument, option or saved detector holds a value outside its allowed range."""


class ExportError(TapsigError):
    """A detector or its numbers do not fit the chosen target."""
