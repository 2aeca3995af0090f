"""List of materials of the program (CycloneDX 1.6, ECMA-424): every crate that goes into it, with version, licence,
checksum and who needs whom. usage: materials.py OUT; the metadata of cargo come from standard input."""

import json
import sys
import tomllib

from cyclonedx.contrib.license.factories import LicenseFactory
from cyclonedx.model import HashAlgorithm, HashType
from cyclonedx.model.bom import Bom
from cyclonedx.model.component import Component, ComponentType
from cyclonedx.output import make_outputter
from cyclonedx.schema import OutputFormat, SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from packageurl import PackageURL

metadata = json.load(sys.stdin)
with open("Cargo.lock", "rb") as file:
    locked = {(p["name"], p["version"]): p.get("checksum") for p in tomllib.load(file)["package"]}


def component(package):
    """A crate as the list tells it."""
    name, version = package["name"], package["version"]
    ours = package["source"] is None
    checksum = locked[name, version]
    # Older crates write `A/B` where the standard (SPDX) says `A OR B`.
    licence = package["license"].replace("/", " OR ")
    return Component(
        name=name,
        version=version,
        type=ComponentType.APPLICATION if ours else ComponentType.LIBRARY,
        bom_ref=package["id"],
        purl=PackageURL("cargo", None, name, version),
        licenses=[LicenseFactory().make_from_string(licence)],
        hashes=[HashType(alg=HashAlgorithm.SHA_256, content=checksum)] if checksum else [],
    )


nodes = {node["id"]: node for node in metadata["resolve"]["nodes"]}
root = metadata["resolve"]["root"]
needed, waiting = {}, [root]
while waiting:
    node = waiting.pop()
    if node not in needed:
        # What only tests use does not go into the program.
        kinds = ((d["pkg"], {k["kind"] for k in d["dep_kinds"]}) for d in nodes[node]["deps"])
        needed[node] = [package for package, kind in kinds if kind - {"dev"}]
        waiting += needed[node]

crates = {p["id"]: component(p) for p in metadata["packages"] if p["id"] in needed}
bom = Bom(components=(crate for key, crate in crates.items() if key != root))
bom.metadata.component = crates[root]
for key, others in needed.items():
    bom.register_dependency(crates[key], [crates[other] for other in others])
text = make_outputter(bom, OutputFormat.JSON, SchemaVersion.V1_6).output_as_string(indent=1)
wrong = JsonStrictValidator(SchemaVersion.V1_6).validate_str(text)
if wrong:
    sys.exit(f"the list of materials does not follow its own standard: {wrong}")
with open(sys.argv[1], "w", encoding="utf-8") as file:
    file.write(text)
print(f"{len(crates) - 1} crates go into the program: {sys.argv[1]}")
