"""Proposals: changes of the baseline that a named person asks for, made on branches that people approve or not."""
