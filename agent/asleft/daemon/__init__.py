"""Process life: the home folder, settings, logs, and the one place that knows every edge."""
