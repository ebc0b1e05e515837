"""Simulated test labs, frame by frame, whose truth is known.

The physics is richer than that of the fitted model and not of the same form, so that a fit can be
judged on labs it did not assume. See `datasets/README.md`.
"""

from datasets.labsim.lab import Lab, LabSettings, random_settings, simulate_lab

__all__ = ["Lab", "LabSettings", "random_settings", "simulate_lab"]
