"""What to fit and what to test next: from fits to choices. Knows nothing of files and pages."""
