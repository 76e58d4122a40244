"""Base of all results: rows, a repr of one line, a table for notebooks, a pandas data frame."""

import copy
import html
import math
from abc import abstractmethod
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import Field, dataclass
from enum import Enum
from typing import TYPE_CHECKING, Any, Self, TypeVar

import numpy as np
import numpy.typing as npt

from tapsig.errors import ParameterError

if TYPE_CHECKING:
    import pandas as pd

Value = TypeVar("Value")
Item = TypeVar("Item")
MAX_HTML_ROWS = 60


def compute_ratio(part: float, whole: float) -> float:
    """One number divided by another; nan where that is 0."""
    return part / whole if whole else math.nan


def compute_f1(tp: int, fp: int, fn: int) -> float:
    """Harmonic mean of precision and recall, 2·tp / (2·tp + fp + fn); nan without taps and detections.

    >>> compute_f1(6, 2, 2), compute_f1(0, 0, 0)
    (0.75, nan)
    """
    return compute_ratio(2 * tp, 2 * tp + fp + fn)


def format_estimate(value: object, low: object = None, high: object = None, *, digits: int = 2) -> str:
    """A value with its interval in brackets; – where undefined. Of numbers over a hundred, `digits` are not shown.

    >>> format_estimate(0.5, 0.41, 0.6), format_estimate(float("nan")), format_estimate(662.274, 343.7, 1153.4)
    ('0.50 (0.41–0.60)', '–', '662 (344–1153)')
    """
    if not isinstance(value, (int, float)) or value != value:
        return "–"
    digits = digits if abs(value) < 100.0 else 0
    text = f"{value:.{digits}f}"
    if isinstance(low, (int, float)) and isinstance(high, (int, float)) and low == low and high == high:
        between = " to " if low < 0 else "–"
        text += f" ({low:.{digits}f}{between}{high:.{digits}f})"
    return text.replace("-", "−")


def format_named(row: Mapping[str, object], name: str, *, digits: int = 2) -> str:
    """The value `name` of a row with its interval, `name_low` to `name_high`, as `format_estimate` has them."""
    return format_estimate(row[name], row[f"{name}_low"], row[f"{name}_high"], digits=digits)


class ReadOnlyMapping(Mapping[str, Value]):
    """A mapping that cannot be changed; unlike the standard library's proxy it can be pickled, and copied to a dict.

    >>> import copy
    >>> copy.deepcopy(ReadOnlyMapping({"a": 1}))
    {'a': 1}
    """

    __slots__ = ("_items",)

    def __init__(self, items: Mapping[str, Value]) -> None:
        self._items = dict(items)

    def __getitem__(self, key: str) -> Value:
        return self._items[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._items)

    def __len__(self) -> int:
        return len(self._items)

    def __repr__(self) -> str:
        return repr(self._items)

    def __deepcopy__(self, memo: dict[int, object]) -> dict[str, Value]:  # used by dataclasses.asdict
        return copy.deepcopy(self._items, memo)


class ComparedByFields:
    """Base of dataclasses with `eq=False`: two are equal when all fields are; nan is equal to nan.

    The comparison that `dataclass` writes fails for a field that is an array, and so does its hash.
    """

    __slots__ = ()

    def __eq__(self, other: object) -> bool:
        return _is_equal(self, other) if type(other) is type(self) else NotImplemented

    def __hash__(self) -> int:
        return hash(repr(self))


class Result(ComparedByFields):
    """Base of results. A subclass defines `rows` and `_describe`, and is a dataclass with `eq=False`."""

    __slots__ = ()

    @abstractmethod
    def rows(self) -> list[dict[str, object]]:
        """The result as rows, all with the same keys."""

    @abstractmethod
    def _describe(self) -> str:
        """A summary in one line, without the class name."""

    def _columns(self) -> list[str]:
        """Keys of a row, for a data frame without rows."""
        return []

    def __repr__(self) -> str:
        return f"<{type(self).__name__}: {self._describe()}>"

    def to_frame(self) -> "pd.DataFrame":
        """The rows as a pandas data frame.

        Returns
        -------
        pandas.DataFrame
            One row each, with the keys of `rows` as columns.

        Raises
        ------
        ParameterError
            When pandas is not installed.
        """
        try:
            import pandas as pd  # optional: nothing else needs it
        except ImportError as error:
            raise ParameterError(
                "to_frame needs pandas, which is not installed: pip install pandas; rows() gives a list of dictionaries"
            ) from error
        return pd.DataFrame(self.rows() or {name: [] for name in self._columns()})

    def _repr_html_(self) -> str:
        rows = self.rows()
        parts = [f"<p><b>{type(self).__name__}</b>: {html.escape(self._describe())}</p>"]
        if rows:
            head = "".join(f"<th>{html.escape(name)}</th>" for name in rows[0])
            body = "".join(
                "<tr>" + "".join(f"<td>{html.escape(_show(value))}</td>" for value in row.values()) + "</tr>"
                for row in rows[:MAX_HTML_ROWS]
            )
            parts.append(f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>")
        if len(rows) > MAX_HTML_ROWS:
            parts.append(f"<p>… {len(rows) - MAX_HTML_ROWS} more rows: rows() and to_frame() hold all</p>")
        return "".join(parts)


class Counts:
    """Base of dataclasses whose fields are counts: two of them add field by field."""

    __slots__ = ()

    def __add__(self, other: Self) -> Self:
        names: Iterable[str] = getattr(self, "__dataclass_fields__", ())
        return type(self)(*(getattr(self, name) + getattr(other, name) for name in names))


@dataclass(init=False, repr=False, eq=False)
class Records(tuple[Item, ...], Result):
    """A result that is a tuple of dataclass records, such as proposals or entries.

    `dataclasses.asdict` gives them as `items`. `kind` is their class, where there may be none.

    >>> from tapsig.records import Label
    >>> records = Records([Label(0.5), Label(1.5)])
    >>> records
    <Records: 2 of Label>
    >>> records.rows()[0]
    {'onset_s': 0.5, 'kind': 'tap'}
    >>> records.onset_s
    array([0.5, 1.5])
    """

    items: tuple[Item, ...] = property(lambda self: tuple(self))  # type: ignore[assignment]  # a field for `asdict`

    def __new__(cls, items: Iterable[Item] = (), kind: type | None = None) -> "Records[Item]":
        records = super().__new__(cls, items)
        vars(records)["kind"] = kind  # an annotation would make it a field
        return records

    def _columns(self) -> list[str]:
        return _shown_names(vars(self)["kind"])

    def rows(self) -> list[dict[str, object]]:
        """One row for each record, with its fields."""
        return [_list_fields(item) for item in self]

    @property
    def onset_s(self) -> npt.NDArray[np.float64]:
        """Onsets in seconds, shape (n,), of records that have one: labels, proposals."""
        return np.array([getattr(item, "onset_s") for item in self], dtype=np.float64)  # noqa: B009

    def _describe(self) -> str:
        kinds = ", ".join(dict.fromkeys(type(item).__name__ for item in self))
        return f"{len(self)} of {kinds}" if self else "empty"

    def __repr__(self) -> str:  # tuple's would come first otherwise
        return Result.__repr__(self)


def field_names(item: object) -> list[str]:
    """Names of the fields of a dataclass, or of an instance of one."""
    return list(getattr(item, "__dataclass_fields__", ()))


def _shown_names(item: object) -> list[str]:
    """Names of the fields that a row has: those of the repr."""
    fields: Mapping[str, Field[object]] = getattr(item, "__dataclass_fields__", {})
    return [name for name, field in fields.items() if field.repr]


def _is_equal(one: Any, other: Any) -> bool:
    """Whether both hold the same: arrays value by value, dataclasses field by field; nan is equal to nan."""
    if isinstance(one, np.ndarray):
        return np.array_equal(one, other, equal_nan=one.dtype.kind in "fc")
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(_is_equal(one[key], other[key]) for key in one)
    if isinstance(one, (tuple, list)) and type(one) is type(other):
        return len(one) == len(other) and all(map(_is_equal, one, other))
    if type(one) is type(other) and (names := field_names(one)) and not isinstance(one, type):
        return all(_is_equal(getattr(one, name), getattr(other, name)) for name in names)
    return bool(one == other or (one != one and other != other))


def _list_fields(item: object) -> dict[str, object]:
    """The fields of a dataclass by name; enumerations by their value."""
    values = ((name, getattr(item, name)) for name in _shown_names(item))
    return {name: value.value if isinstance(value, Enum) else value for name, value in values}


def _show(value: object) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "–"
    return f"{value:.4g}" if isinstance(value, float) else str(value)
