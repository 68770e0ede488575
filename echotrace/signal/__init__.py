"""One step each: public functions on arrays, from samples to lengths."""
