"""The record: facts that only grow, in one SQLite file with one writer."""
