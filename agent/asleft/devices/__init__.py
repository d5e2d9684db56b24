"""The wire: how stations are reached. Each protocol has a folder of its own."""
