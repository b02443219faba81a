"""From findings to what people and programs read: HTML, CSV, JSON, terminal text. A number is computed once."""
