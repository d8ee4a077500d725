"""YAML trees, kinds of values, validation and cures of what people write."""
