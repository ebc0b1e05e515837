"""Commands killed, interrupted, out of disk or disturbed, and what they leave behind."""
