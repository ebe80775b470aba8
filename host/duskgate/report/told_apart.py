"""Short names of logs on a page: the parts of their paths that tell them apart."""


def short_names(labels: list[str]) -> list[str]:
    """Labels without the folders that all share, in front and at the end; numbered where nothing tells them apart."""
    parts = [str(label).replace("\\", "/").rstrip("/").split("/") for label in labels]
    if len(parts) == 1:
        return [parts[0][-1]]
    while all(len(p) > 1 for p in parts) and len({p[0] for p in parts}) == 1:
        parts = [p[1:] for p in parts]
    while all(len(p) > 1 for p in parts) and len({p[-1] for p in parts}) == 1:
        parts = [p[:-1] for p in parts]
    names = ["/".join(p) for p in parts]
    return [f"{name} ({k + 1})" if names.count(name) > 1 else name for k, name in enumerate(names)]
