"""What a trace looks like and what that means: features, findings, score."""
