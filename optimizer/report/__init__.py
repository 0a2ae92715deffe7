"""Answers as text for a terminal and as JSON documents."""
