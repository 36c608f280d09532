"""The sound process: units in a rack, what plays them, the link to it, the supervisor. Imports pyo."""
