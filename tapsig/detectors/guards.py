"""What guards the state of a running detector, which lies in the core: one thread at a time, and no copies."""

from threading import RLock
from typing import NoReturn

from tapsig.errors import ParameterError


class InUse:
    """A lock that refuses another thread instead of letting it wait; its own thread may take it again."""

    __slots__ = ("_lock",)

    def __init__(self) -> None:
        self._lock = RLock()

    def __enter__(self) -> None:
        if not self._lock.acquire(blocking=False):
            raise ParameterError("this detector is in use by another thread; build one for each")

    def __exit__(self, *_: object) -> None:
        self._lock.release()


class NotCopied:
    """Base of what runs: a copy would share the state of the core."""

    def __reduce__(self) -> NoReturn:  # copy, deepcopy and pickle all ask it
        raise ParameterError(f"a running {type(self).__name__} is not copied; build another from its parameters")
