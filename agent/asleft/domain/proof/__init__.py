"""The proof from commits alone: pure checks over what the records hold, each of which gives findings."""
