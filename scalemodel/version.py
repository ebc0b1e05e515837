"""The version, without importing anything."""

from importlib.metadata import version

VERSION = version("scalemodel")
