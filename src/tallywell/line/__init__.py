"""The exchange on a Modbus serial line. Moves words; gives them no meaning."""
