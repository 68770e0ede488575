"""What is concluded from the scans of one eye."""
