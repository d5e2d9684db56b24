"""What the work needs from the edges, said in the domain's words."""
