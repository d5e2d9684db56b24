"""What holds for all tests."""

from hypothesis import settings

# Nothing is judged by how long it took: machines are shared, and another may be at work beside this.
_usual = settings.get_profile(settings.get_current_profile_name())
settings.register_profile("unhurried", _usual, deadline=None)
settings.load_profile("unhurried")
