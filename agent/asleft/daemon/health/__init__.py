"""How the agent is: metrics, health, and the small web server that tells them."""
