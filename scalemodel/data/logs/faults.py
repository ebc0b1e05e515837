"""The faults of one log, each with its row."""

from dataclasses import dataclass, field

import numpy as np

from scalemodel.data.problems import ProblemLog, shown

PAUSE_MS = 60_000.0
"""A frame that takes longer is a pause."""

CORRECT = "delete the row, or correct the clock"
CUT_OUT = "cut it out with skip_s and length_s, or delete these rows"


@dataclass
class Faults:
    """Notes what is wrong with a log.

    Attributes:
        file: path of the log in the bench.
        log: takes the problems.
    """

    file: str
    log: ProblemLog = field(default_factory=ProblemLog)

    @property
    def fatal(self) -> bool:
        """Whether there is a fault with which the log cannot be reduced."""
        return self.log.errors() > 0

    def not_a_number(self, row: int, column: str, cell: str) -> None:
        """Note a cell without a number."""
        what = f"{shown(cell)} is not a number" if cell else "the cell is empty"
        self._error(what, "a number in every row", "delete the row", row, column, cell)

    def wrong_width(self, row: int, cells: int, width: int) -> None:
        """Note a row with too few or too many cells."""
        what = f"the row has {cells} cells, the others have {width}"
        self._error(what, f"{width} cells", "correct or delete the row", row)

    def header_again(self, row: int) -> None:
        """Note a header in the middle: a second log was added."""
        what = "the header is there again: two logs in one file"
        self._error(what, "one run a file", "move what follows into a file of its own", row)

    def cut_row(self, row: int, text: str) -> None:
        """Note a last row that was not written to its end."""
        what = f"the last row is cut off ({shown(text)}) and left out"
        fix = "nothing, if one frame less is fine"
        self.log.warning(self.file, what, "whole rows", fix, row=row)

    def first_row(self, row: int, column: str) -> None:
        """Note a first row without a time, which some programs write."""
        what = "the first row has no frame time and is left out"
        fix = "nothing: a first frame has no frame before it"
        self.log.warning(self.file, what, "a frame time in every row", fix, row=row, column=column)

    def not_positive(self, row: int, column: str, value: float) -> None:
        """Note a frame time that is zero, negative, missing or beyond all bounds."""
        what = f"a frame time of {value:.6g} ms"
        if np.isnan(value):
            what = "there is no frame time"
        self._error(what, "times above 0", CORRECT, row, column)

    def no_step(self, row: int, column: str, step: float, *, again: bool) -> None:
        """Note a clock that stands still, runs backwards, or starts again."""
        if np.isnan(step):
            what = "there is no time stamp"
        elif again:
            what = f"the clock {shown(column)} starts again: two runs in one file"
            fix = "move what follows into a file of its own"
            self._error(what, "one run a file", fix, row, column)
            return
        elif step == 0:
            what = "two frames have the same time stamp"
        elif step < 0:
            what = f"the clock runs backwards by {-step:.6g} ms"
        else:
            what = f"the clock jumps by {step:.6g} ms"
        self._error(what, "time stamps that grow", CORRECT, row, column)

    def paused(self, row: int, column: str, ms: float) -> None:
        """Note a pause."""
        self._error(
            f"a pause of {ms / 1e3:,.0f} s", "one run without a pause", CUT_OUT, row, column
        )

    def long_frame(self, row: int, column: str, ms: float) -> None:
        """Note a frame that takes seconds."""
        what = f"one frame takes {ms / 1e3:.1f} s"
        self.log.warning(self.file, what, "", CUT_OUT, row=row, column=column)

    def other_unit(self, row: int, column: str, ms: float, typical: float) -> None:
        """Note where numbers are in another unit than the rest."""
        what = f"mixed units: {ms:.4g} ms here, typically {typical:.4g} ms"
        self._error(what, "one unit in the whole column", "write it in one unit", row, column)

    def _error(
        self,
        what: str,
        allowed: str,
        fix: str,
        row: int,
        column: str | None = None,
        value: str | None = None,
    ) -> None:
        self.log.error(self.file, what, allowed, fix, row=row, column=column, value=value)
