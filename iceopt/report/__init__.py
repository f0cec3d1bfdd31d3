"""One self-contained HTML page from one result or several."""
