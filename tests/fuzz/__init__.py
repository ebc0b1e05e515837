"""Mutated benches, sheets, logs and kept files, and what becomes of them.

Every case follows from a target and a number, so that a finding can be made again.
"""
