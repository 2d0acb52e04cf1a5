"""Reads the marks punched into animals' ears and says how sure it is."""

__version__ = "0.1.0"
