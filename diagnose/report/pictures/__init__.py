"""Pictures: the circuit, how the suspicion moved, expected against measured; as SVG and as text."""
