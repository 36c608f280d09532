"""Figures of a circuit, predicted and measured through the kernel that is heard."""
