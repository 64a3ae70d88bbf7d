"""What the board is: shapes, layers, copper, the case file and the mesh. No physics, no plotting."""
