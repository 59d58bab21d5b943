"""Meters that stand in for the field: exact totalizers behind real frames."""
