"""A car on a course: how fast it gets, and how it stops."""
