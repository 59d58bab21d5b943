"""Register maps by themselves: what one says in full, how two differ, what words mean by it, and a tidy text of it.

A map that is based on another is always looked at with its base. `tallywell check SITE` judges maps in their places.
"""

SUMMARY = "what a register map says, how two differ, and what words mean by it"
