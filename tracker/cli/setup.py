"""``lobscope setup``: a setup file, pointed at in a clip or to be filled in by hand."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.failures import WrongUsage
from tracker.cli.files import quoted

if TYPE_CHECKING:
    from tracker.cli.pointing import Stated

_LARGEST_PORT = 65_535

FileArgument = Annotated[
    Path,
    typer.Argument(
        help="A clip, whose setup is made in the browser; or a name ending in .toml, for a file to fill in.",
        metavar="CLIP|FILE",
    ),
]
SetupOption = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="Where the clip's setup file lies, if not beside the clip."),
]
LikeOption = Annotated[
    Path | None,
    typer.Option(metavar="CLIP", help="Take over another clip's setup, and say whether the camera moved."),
]
BrowserOption = Annotated[
    bool, typer.Option("--no-browser", help="Only print the page's address, and open no browser.")
]
PortOption = Annotated[
    int, typer.Option(metavar="N", min=0, max=_LARGEST_PORT, help="The page's port; a free one if left out.")
]
PageOption = Annotated[bool, typer.Option("--no-page", help="Write the setup file without any page.")]
StillOption = Annotated[
    Path | None,
    typer.Option(metavar="PNG", help="Write one picture of the clip with a grid to read places from."),
]
FrameOption = Annotated[int, typer.Option(metavar="N", min=0, help="Which picture; the first is 0.")]
AroundOption = Annotated[
    str | None, typer.Option(metavar="X,Y", help="Show what lies round this place very large in the still.")
]
PointsOption = Annotated[
    str | None,
    typer.Option(metavar='"X,Y X,Y"', help="The two ends of a known length, or four corners of a rectangle."),
]
LengthOption = Annotated[
    str | None, typer.Option(metavar="LENGTH", help='How far apart the two ends are, such as "1.500 m".')
]
SizeOption = Annotated[
    str | None, typer.Option(metavar="AxB", help='The rectangle\'s width and height: "1.2 m x 0.8 m".')
]
OffsetOption = Annotated[
    str | None, typer.Option(metavar="LENGTH", help="How far behind the plane of flight the reference is.")
]
PlumbOption = Annotated[
    str | None,
    typer.Option(metavar='"X,Y X,Y"', help="Two points of something that hangs straight down."),
]
ExitOption = Annotated[
    str | None, typer.Option("--exit", metavar="X,Y", help="Where the ball leaves the launcher.")
]
BallOption = Annotated[
    str | None, typer.Option(metavar="LENGTH", help='The ball\'s diameter, such as "140 mm".')
]
MassOption = Annotated[str | None, typer.Option(metavar="MASS", help='The ball\'s mass, such as "88 g".')]
ColourOption = Annotated[str | None, typer.Option(metavar="NAME", help="The ball's colour.")]
FindOption = Annotated[
    bool, typer.Option("--find-ball", help="Find the ball in the film and state its colour.")
]
FindBoardOption = Annotated[
    bool, typer.Option("--find-board", help="Find the printed board in the film, in place of any marks.")
]
RulerOption = Annotated[
    str | None, typer.Option(metavar="LENGTH", help='The board\'s ruler line as printed, such as "149.5 mm".')
]
DistanceOption = Annotated[
    str | None, typer.Option(metavar="LENGTH", help="From the phone to the plane of flight.")
]
RateOption = Annotated[
    float | None, typer.Option(metavar="N", help="Frames a second at which the phone really filmed.")
]
ReplaceOption = Annotated[
    bool, typer.Option("--replace", help="Replace a setup file even if it cannot be read or has changed.")
]


def setup(
    file: FileArgument = Path("setup.toml"),
    setup: SetupOption = None,
    like: LikeOption = None,
    no_browser: BrowserOption = False,
    port: PortOption = 0,
    no_page: PageOption = False,
    still: StillOption = None,
    frame: FrameOption = 0,
    around: AroundOption = None,
    points: PointsOption = None,
    length: LengthOption = None,
    size: SizeOption = None,
    find_board: FindBoardOption = False,
    ruler: RulerOption = None,
    offset: OffsetOption = None,
    plumb: PlumbOption = None,
    exit_: ExitOption = None,
    ball: BallOption = None,
    mass: MassOption = None,
    colour: ColourOption = None,
    find_ball: FindOption = False,
    distance: DistanceOption = None,
    capture_fps: RateOption = None,
    replace: ReplaceOption = False,
) -> None:
    """Make a setup file: point at a known length in your clip, or fill a file in by hand.

    With a clip, a page opens in the browser. It shows the pictures one by one; you mark the ends of a
    length you know, say how large the ball is, and measure. The page is for this computer only, sends
    nothing anywhere, and ends when you close it. The setup file is written beside the clip.

    Without a browser, say the marks here: --still shows where to read them, --points and the others
    state them; a printed board that is in the film needs none. With a name ending in .toml, a commented
    file to fill in is written.

    Example: lobscope setup shot.mp4
    """
    from tracker.cli.pointing import Stated

    stated = Stated(
        points,
        frame,
        length,
        size,
        offset,
        plumb,
        exit_,
        ball,
        mass,
        colour,
        distance,
        capture_fps,
        find_ball,
        find_board,
        ruler,
    )
    if file.suffix.lower() == ".toml":
        if stated.anything or still is not None or like is not None:
            raise WrongUsage(
                "setup_needs_clip", "Marks belong to a clip.", "Name the clip in place of the setup file."
            )
        _template(file)
    elif still is not None:
        _still(file, still, frame, around)
    elif no_page or stated.anything:
        _write(file, setup, like, stated, replace=replace)
    else:
        _page(file, setup, like, port, browser=not no_browser)


def _template(file: Path) -> None:
    from tracker.setup_file import write_template

    write_template(file)
    sys.stderr.write(f"Wrote {file}. Open it, fill in your ball and your known length, then:\n")
    sys.stderr.write(f"  lobscope measure CLIP --setup {quoted(file)}\n")


def _still(clip: Path, out: Path, frame: int, around: str | None) -> None:
    from tracker.cli.pointing import save_still
    from tracker.page.desk import open_desk

    with open_desk(clip, None) as desk:
        save_still(desk, out, frame, around)


def _write(clip: Path, setup_file: Path | None, like: Path | None, stated: Stated, *, replace: bool) -> None:
    from tracker.cli.pointing import write_setup
    from tracker.page.desk import open_desk

    with open_desk(clip, setup_file, like) as desk:
        if like is not None:
            sys.stderr.write(desk.compared(like) + "\n")
        write_setup(desk, stated, replace=replace)


def _page(clip: Path, setup_file: Path | None, like: Path | None, port: int, *, browser: bool) -> None:
    from tracker.film.place import check_path
    from tracker.film.talk import Talker

    check_path(clip)
    talker = Talker(clip)
    talker.start()  # it opens the clip while the server is loaded

    from tracker.page.desk import open_desk
    from tracker.page.serve import Address, open_browser, serve_setup

    def tell(address: Address) -> None:
        sys.stderr.write(f"The page is at\n  {address.printed}\n")
        sys.stderr.write("It is for this computer only. Close it, or press Ctrl-C here, when you are done.\n")
        sys.stderr.flush()
        if browser:
            open_browser(address)

    with open_desk(clip, setup_file, like, talker=talker) as desk:
        serve_setup(desk, port=port, tell=tell)
        if desk.paper.exists:
            sys.stderr.write(f"The setup file is {desk.paper.path}. To measure with it:\n")
            sys.stderr.write(f"  lobscope measure {quoted(clip)} --setup {quoted(desk.paper.path)}\n")
