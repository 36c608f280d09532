"""The live host: units in a rack, the engine process that plays it, the link to it, the supervisor. Imports pyo."""
