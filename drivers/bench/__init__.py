"""The bench: an emulated barn behind real buses."""
