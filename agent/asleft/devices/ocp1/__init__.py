"""AES70 over OCP.1: pure codec at the bottom, then the session, then the gateway that speaks the domain's words."""
