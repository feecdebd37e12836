"""One small drawn wall, photographed once for all tests here."""

import pytest
from drawn_wall_model import WallTold
from photo_room_model import PhotoRoom, PhotoTold


@pytest.fixture(scope="session")
def drawn_room():
    """A wall of 2.4 m by 1.8 m in photos of 0.6 megapixels."""
    wall = WallTold(2.4, 1.8, "brick", humps=((1.0, 0.9, 0.006, 0.2),), seed=3)
    return PhotoRoom(wall, PhotoTold(0.6, distance=1.4, seed=3))


@pytest.fixture(scope="session")
def drawn_folder(drawn_room, tmp_path_factory):
    """Its photos with taped targets."""
    return drawn_room.write(tmp_path_factory.mktemp("photos") / "wall")


@pytest.fixture(autouse=True, scope="session")
def own_cache(tmp_path_factory):
    """Features are kept apart from those of the person who runs the tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield
