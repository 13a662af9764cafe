import subprocess
import sys

import plyflat


def test_every_public_name_loads():
    for name in plyflat.__all__:
        assert getattr(plyflat, name) is not None


def test_unknown_name_is_an_attribute_error():
    assert not hasattr(plyflat, "no_such_name")


def test_import_and_help_load_nothing_heavy():
    heavy = ["numpy", "scipy", "trimesh", "pyvista", "ezdxf", "matplotlib", "igl", "spyrrow", "pint", "pydantic", "shapely"]
    code = (
        "import sys; import plyflat.cli; "
        "from typer.testing import CliRunner; "
        "r = CliRunner().invoke(plyflat.cli.app, ['--help']); assert r.exit_code == 0, r.output; "
        f"print([m for m in {heavy!r} if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"
