"""Wires the rooms: the site file, the daemon, the books of a period."""
