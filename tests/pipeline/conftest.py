"""A home with a brewer, as the commands' tests have it."""

from tests.cli.conftest import at_eight as at_eight
from tests.cli.conftest import brew_home as brew_home
from tests.cli.conftest import refused as refused
from tests.cli.conftest import said as said
