"""Lists of parts as people keep them in spreadsheets, to and from the parts of a record. Reads no record file."""
