"""Loosebox: the live heat load of every place where horses are, and air moving before it is needed."""

__version__ = "0.1.0"
