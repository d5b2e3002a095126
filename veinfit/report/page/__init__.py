"""The report as pages for a browser, and pages about many cases."""
