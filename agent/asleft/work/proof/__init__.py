"""The proof from commits alone: walks the records, and has every check look at what it comes by."""
