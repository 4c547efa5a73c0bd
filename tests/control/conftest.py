import pathlib
import sys

# importlib mode puts no tests folder on the path; the spot-level bench is shared by the tests beside it.
sys.path.insert(0, str(pathlib.Path(__file__).parent))
