"""What a careful colleague would look for in an estate: each rule in the room that it is about."""
