"""The cautions of reports are those of the front page, word by word."""

from pathlib import Path

from pipeline.model.cautions import CAUTIONS


def test_readme_says_the_same():
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    section = readme.split("## Cautions")[1].split("\n## ")[0]
    points = [" ".join(point.split()) for point in section.split("\n- ")[1:]]
    assert points == list(CAUTIONS)
