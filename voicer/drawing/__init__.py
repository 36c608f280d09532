"""The look of everything that is drawn."""
