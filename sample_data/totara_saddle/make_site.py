"""Write the demo site, and the truth that only tests read, beside this file."""

from pathlib import Path

from geoqa.demo.files import write_site, write_truth

if __name__ == "__main__":
    here = Path(__file__).resolve().parent
    for path in (*write_site(here), write_truth(here / "truth.csv")):
        print(path.name)
