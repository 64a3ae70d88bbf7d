"""Gerber images to areas per net, pads and strokes."""
