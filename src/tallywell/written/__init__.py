"""What a person writes: YAML read with the place of every value, and every fault of it at once."""
