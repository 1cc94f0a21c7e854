"""Map layers, one class a module."""
