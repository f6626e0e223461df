"""What a page was asked, as checked values: one module a page."""
