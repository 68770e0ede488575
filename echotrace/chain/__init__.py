"""The composition of the steps, and the fused walk that does them at once."""
