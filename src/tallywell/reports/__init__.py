"""The report model and its layouts. Exact until a number is printed."""
