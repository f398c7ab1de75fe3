"""Everything people see: the command line, the pages, the charts and the reports."""
