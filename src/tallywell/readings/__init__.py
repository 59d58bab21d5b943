"""The vocabulary: what passes between the rooms. Values only, no logic beyond what keeps a value well-formed."""
