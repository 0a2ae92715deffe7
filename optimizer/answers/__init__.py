"""What the crew asks of a ranking."""
