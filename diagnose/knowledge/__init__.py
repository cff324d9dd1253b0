"""What the YAML files say: typed records, reading with places kept, checks."""
