"""Tallywell keeps the readings of flow meters and turns them into volumes that balance."""

__version__ = "0.1.0"
