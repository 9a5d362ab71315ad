"""What goes back to a site after its sheets were judged: questions, workbook, message."""
