"""From map text to a register map, and from words to meaning. Knows nothing of lines, records or ledgers."""
