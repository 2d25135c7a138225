"""What the import contracts do not say of the structure."""

from __future__ import annotations

import grimp


def test_no_module_imports_another_in_a_circle() -> None:
    """Also not by imports within functions, or for types alone."""
    graph = grimp.build_graph("contactd", cache_dir=None)
    imports = {each: graph.find_modules_directly_imported_by(each) for each in graph.modules}
    left = dict(imports)
    while free := [each for each, wanted in left.items() if not wanted & left.keys()]:
        for each in free:
            del left[each]
    circles = {each: sorted(wanted & left.keys()) for each, wanted in left.items()}
    assert circles == {}
