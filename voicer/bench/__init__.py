"""The bench: how fast the kernels run, and pictures of what they do."""
