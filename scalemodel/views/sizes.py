"""What a figure is for: a page on a screen, a slide, or a sheet of paper."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Size:
    """How large a figure is.

    Type has the same points in all of them, so what is drawn smaller than a page has larger type
    beside it, and room for less.

    Attributes:
        width: inches.
        tallest: inches that a figure may take.
        exact: whether it always has that height.
        dots: pixels an inch of a PNG.
        paper: colour of the paper, or "" for that of the house.
    """

    width: float
    tallest: float
    exact: bool
    dots: int
    paper: str = ""

    @property
    def limited(self) -> bool:
        """Whether rows may have to be left out for want of room."""
        return self.tallest < LONGEST


LONGEST = 600.0
"""Inches beyond which a figure cannot be drawn as pixels."""

PAGE = Size(12.0, LONGEST, exact=False, dots=100)
SLIDE = Size(9.6, 5.4, exact=True, dots=200)
PRINT = Size(9.6, 6.9, exact=False, dots=300, paper="#ffffff")

SIZES = {"page": PAGE, "slide": SLIDE, "print": PRINT}
"""By the names that users give: a slide has 1920 x 1080 pixels, print fits a sheet of A4 or Letter
paper on its side."""
