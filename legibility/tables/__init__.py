"""Tables as people keep them: text and workbook files, and which column holds what."""
