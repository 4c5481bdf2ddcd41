"""The story's tests find what they borrow."""

import story_paths

__all__ = ["story_paths"]
