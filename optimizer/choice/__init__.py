"""What may be chosen together, and what it costs."""
