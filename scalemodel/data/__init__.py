"""Read a bench, check it, and hold it: the only room that knows what the files look like."""
