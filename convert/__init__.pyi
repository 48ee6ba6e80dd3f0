"""What a type checker is told of the package; the names are found when they are asked for."""

from convert.library import (
    Disagreement as Disagreement,
)
from convert.library import (
    Evidence as Evidence,
)
from convert.library import (
    GameRead as GameRead,
)
from convert.library import (
    Judge as Judge,
)
from convert.library import (
    JudgeError as JudgeError,
)
from convert.library import (
    Outcome as Outcome,
)
from convert.library import (
    PositionReport as PositionReport,
)
from convert.library import (
    Refused as Refused,
)
from convert.library import (
    Review as Review,
)
from convert.library import (
    Side as Side,
)
from convert.library import (
    SolveReport as SolveReport,
)
from convert.library import (
    SourceError as SourceError,
)
from convert.library import (
    Verdict as Verdict,
)
from convert.library import (
    judge_position as judge_position,
)
from convert.library import (
    read_games as read_games,
)
from convert.library import (
    report_text as report_text,
)
from convert.library import (
    review_game as review_game,
)
from convert.library import (
    solve_ending as solve_ending,
)
from convert.library import (
    verdict_of as verdict_of,
)
from convert.library import (
    write_reviews as write_reviews,
)

__version__: str
