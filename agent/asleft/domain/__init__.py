"""The ground floor: what the words mean. No input or output, no clock, no logging."""
