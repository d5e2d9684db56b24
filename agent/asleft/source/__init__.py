"""The baseline repository: what people approved. The agent only reads it, and always from a commit."""
