"""The page: what people see and do in a browser, at the side of the stage or at a desk."""
