"""Reports: tables, plots, CSV and JSON."""
