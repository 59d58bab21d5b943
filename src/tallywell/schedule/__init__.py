"""Who is due, and when. Pure but for the system clock."""
