"""What a file, its titles and the meeting say of the day, where they disagree: said, and what
counts."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime

import numpy as np
import pyarrow as pa

from pipeline.read.clocks import Clocks, day_number
from pipeline.read.gathered import Harvest
from pipeline.read.instants import SECOND, zone_of
from pipeline.read.records import ReadOptions

FAR_DAYS = 14


def tell_days(dates: Iterable[str], title_day: str, options: ReadOptions, harvest: Harvest) -> None:
    """Days (ISO) of the sessions that are not the meeting's, or not the title's."""
    days = sorted(set(dates))
    mend = "if that is wrong, give the sessions their date in sessions.csv"
    if title_day and title_day not in days:
        said = ", ".join(days[:3])
        harvest.warn(f"a title says {title_day}, but it counts for {said}; {mend}")
    if not options.date:
        return
    first = day_number(options.date)
    strange = [day for day in days if not -2 < day_number(day) - first < FAR_DAYS]
    if strange:
        harvest.warn(
            f"the export says {', '.join(strange[:3])}, but the meeting began on {options.date}; "
            f"the export's day counts; {mend}"
        )


def note_lost(written: pa.Array, clocks: Clocks, harvest: Harvest) -> None:
    """Keep a time (of the column as written) whose date can be none."""
    if clocks.lost >= 0:
        harvest.lost = written[clocks.lost].as_py()


def note_offsets(offset: np.ndarray, utc: np.ndarray, harvest: Harvest) -> None:
    """Keep an instant of each offset that is written. offset: (n,) minutes; utc: microseconds."""
    offsets, first = np.unique(offset, return_index=True)
    harvest.offsets |= dict(zip(offsets.tolist(), utc[first].tolist(), strict=True))


def tell_clocks(options: ReadOptions, harvest: Harvest) -> None:
    """Dates of the rows that can be none, and offsets that the meeting's zone does not have then.

    An offset of zero is how clocks write UTC wherever they are.
    """
    if harvest.lost:
        harvest.warn(
            f"'{harvest.lost[:40]}' has no date that can be: such times count for the day of the "
            "title or of the meeting"
        )
    zone = zone_of(options.timezone)
    for minutes, micros in harvest.offsets.items():
        moment = datetime.fromtimestamp(micros / SECOND, UTC).astimezone(zone)
        shift = moment.utcoffset()
        own = round(shift.total_seconds() / 60) if shift is not None else 0
        if minutes not in (0, own):
            harvest.warn(
                f"the export's times are written as {_offset(minutes)}, but {options.timezone} is "
                f"{_offset(own)} then; the export's offset counts, and {moment:%H:%M} is the "
                "meeting's clock. If that is wrong, mend `timezone` in meetings.csv"
            )


def _offset(minutes: int) -> str:
    hours, rest = divmod(abs(minutes), 60)
    return f"UTC{'-' if minutes < 0 else '+'}{hours:02}:{rest:02}"
