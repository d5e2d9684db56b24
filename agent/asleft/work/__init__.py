"""The use cases: rounds, restores, questions. Every face comes in through `work.desk`."""
