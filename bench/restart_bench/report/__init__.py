"""Results for the console, for machines and as the HTML record."""
