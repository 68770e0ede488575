"""What a length and its uncertainty mean for lens power."""
