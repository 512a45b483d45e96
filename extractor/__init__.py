"""ocrlog reads performance figures off captures of a monitoring overlay."""
