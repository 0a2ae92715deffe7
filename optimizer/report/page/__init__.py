"""One self-contained page: its charts, its words, its template, style and script."""
