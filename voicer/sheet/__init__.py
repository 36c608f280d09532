"""The build sheet: a board as tables, parts list, drawings and files, for somebody with a soldering iron."""
