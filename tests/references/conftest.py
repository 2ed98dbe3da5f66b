"""Property tests here take as long as they take: several run at once on small machines."""

from hypothesis import settings

settings.register_profile("references", deadline=None)
settings.load_profile("references")
