"""Files for cutters, spreadsheets and programs."""
