"""What readers of fabrication files share: plain data, limits on what is untrusted, areas, outlines."""
