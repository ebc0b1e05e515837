"""One function a figure: finished tables in, a matplotlib figure out."""
