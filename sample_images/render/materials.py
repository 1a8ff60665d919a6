"""Procedural materials for the invented house: every texture is made of noise, none is loaded."""

from __future__ import annotations

import bpy


class Nodes:
    """A material's node tree with short words for what this scene needs."""

    def __init__(self, name: str, roughness: float = 0.6, specular: float = 0.4):
        self.material = bpy.data.materials.new(name)
        self.material.use_nodes = True
        self.tree = self.material.node_tree
        self.shader = self.tree.nodes["Principled BSDF"]
        self.shader.inputs["Roughness"].default_value = roughness
        self.shader.inputs["Specular IOR Level"].default_value = specular
        self.place = self.tree.nodes.new("ShaderNodeTexCoord").outputs["Object"]

    def link(self, source, target):
        self.tree.links.new(source, target)

    def node(self, kind: str, **settings):
        node = self.tree.nodes.new(kind)
        for key, value in settings.items():
            setattr(node, key, value)
        return node

    def noise(self, scale: float, detail: float = 4, stretch=(1, 1, 1), rough: float = 0.55):
        mapping = self.node("ShaderNodeMapping")
        mapping.inputs["Scale"].default_value = stretch
        self.link(self.place, mapping.inputs["Vector"])
        noise = self.node("ShaderNodeTexNoise")
        noise.inputs["Scale"].default_value = scale
        noise.inputs["Detail"].default_value = detail
        noise.inputs["Roughness"].default_value = rough
        self.link(mapping.outputs[0], noise.inputs["Vector"])
        return noise.outputs["Fac"]

    def ramp(self, value, stops):
        ramp = self.node("ShaderNodeValToRGB")
        elements = ramp.color_ramp.elements
        while len(elements) < len(stops):
            elements.new(0.5)
        for element, (at, colour) in zip(elements, stops, strict=True):
            element.position = at
            element.color = (*colour, 1) if isinstance(colour, tuple) else (colour,) * 3 + (1,)
        self.link(value, ramp.inputs[0])
        return ramp.outputs["Color"]

    def mix(self, share, first, second, kind: str = "MIX"):
        mix = self.node("ShaderNodeMixRGB", blend_type=kind)
        for socket, value in zip(mix.inputs, (share, first, second), strict=True):
            if isinstance(value, float | int):
                socket.default_value = value if socket.type == "VALUE" else (value,) * 3 + (1,)
            elif isinstance(value, tuple):
                socket.default_value = (*value, 1)
            else:
                self.link(value, socket)
        return mix.outputs[0]

    def math(self, operation: str, first, second=0.0):
        node = self.node("ShaderNodeMath", operation=operation)
        for socket, value in zip(node.inputs, (first, second), strict=False):
            if isinstance(value, float | int):
                socket.default_value = value
            else:
                self.link(value, socket)
        return node.outputs[0]

    def attribute(self, name: str, output: str = "Fac"):
        return self.node("ShaderNodeAttribute", attribute_name=name).outputs[output]

    def axis(self, which: str):
        separate = self.node("ShaderNodeSeparateXYZ")
        self.link(self.place, separate.inputs[0])
        return separate.outputs[which]

    def colour(self, source):
        if isinstance(source, tuple):
            self.shader.inputs["Base Color"].default_value = (*source, 1)
        else:
            self.link(source, self.shader.inputs["Base Color"])

    def bump(self, height, strength: float, distance: float = 0.01):
        bump = self.node("ShaderNodeBump")
        bump.inputs["Strength"].default_value = strength
        bump.inputs["Distance"].default_value = distance
        self.link(height, bump.inputs["Height"])
        self.link(bump.outputs[0], self.shader.inputs["Normal"])


def painted(name: str, colour: tuple, roughness: float = 0.45, dirt: float = 0.25):
    """Painted wood or metal with faint dirt."""
    n = Nodes(name, roughness)
    dark = tuple(c * 0.72 for c in colour)
    patch = n.ramp(n.noise(2.3, 6, (1, 1, 0.5)), [(0.35, 0.0), (0.75, 1.0)])
    share = n.math("MULTIPLY", patch, dirt)
    n.colour(n.mix(share, colour, dark))
    n.bump(n.noise(60, 3), 0.08)
    return n.material


def siding():
    """Lap siding: a tint a board, rain streaks, dirt near the ground."""
    n = Nodes("siding", 0.55)
    base = n.mix(n.attribute("tint"), (0.36, 0.43, 0.46), (0.44, 0.51, 0.535))
    streaks = n.ramp(n.noise(3.2, 5, (1, 1, 0.12)), [(0.5, 0.0), (0.85, 1.0)])
    base = n.mix(n.math("MULTIPLY", streaks, 0.22), base, (0.27, 0.31, 0.31))
    low = n.node("ShaderNodeMapRange")
    low.inputs["From Min"].default_value, low.inputs["From Max"].default_value = 0.35, 1.1
    low.inputs["To Min"].default_value, low.inputs["To Max"].default_value = 0.45, 0.0
    n.link(n.axis("Z"), low.inputs["Value"])
    splash = n.math("MULTIPLY", low.outputs[0], n.noise(5, 6))
    n.colour(n.mix(splash, base, (0.22, 0.2, 0.16)))
    n.bump(n.noise(24, 5, (0.15, 0.15, 3)), 0.12)
    return n.material


def shingle():
    """Asphalt shingles: a tint a tab, granules, algae streaks running down the slope."""
    n = Nodes("shingle", 0.9, 0.2)
    base = n.ramp(
        n.attribute("tint"),
        [
            (0.0, (0.055, 0.05, 0.046)),
            (0.4, (0.105, 0.093, 0.083)),
            (0.75, (0.15, 0.13, 0.112)),
            (1.0, (0.21, 0.185, 0.155)),
        ],
    )
    granules = n.ramp(n.noise(380, 2), [(0.3, 0.55), (0.7, 1.35)])
    base = n.mix(1.0, base, granules, "MULTIPLY")
    algae = n.ramp(n.noise(0.9, 6, (1, 0.16, 0.16)), [(0.48, 0.0), (0.75, 1.0)])
    n.colour(n.mix(n.math("MULTIPLY", algae, 0.5), base, (0.035, 0.036, 0.033)))
    n.bump(n.noise(380, 2), 0.35, 0.004)
    return n.material


def membrane(roll: float):
    """Weathered granulated cap sheet: rolls and laps, stains, a sediment ring at the waterline."""
    n = Nodes("membrane", 0.88, 0.25)
    granules = n.ramp(n.noise(420, 2), [(0.3, 0.7), (0.7, 1.25)])
    broad = n.ramp(
        n.noise(0.9, 8, rough=0.68),
        [(0.3, (0.085, 0.082, 0.077)), (0.5, (0.15, 0.146, 0.137)), (0.7, (0.235, 0.228, 0.212))],
    )
    base = n.mix(1.0, broad, granules, "MULTIPLY")
    streak = n.ramp(n.noise(2.6, 8, (1.0, 0.13, 1), 0.65), [(0.46, 0.0), (0.72, 1.0)])
    base = n.mix(n.math("MULTIPLY", streak, 0.7), base, (0.065, 0.061, 0.055))
    spots = n.ramp(n.noise(7, 8, rough=0.7), [(0.62, 0.0), (0.75, 1.0)])
    base = n.mix(n.math("MULTIPLY", spots, 0.4), base, (0.30, 0.29, 0.26))
    wobble = n.math("MULTIPLY", n.math("SUBTRACT", n.noise(9, 5), 0.5), 0.012)
    lap_at = n.math("ADD", n.attribute("up"), wobble)
    within = n.math("MODULO", lap_at, roll)
    bleed = n.ramp(
        n.math("DIVIDE", within, roll), [(0.0, 1.0), (0.012, 0.85), (0.024, 0.2), (0.09, 0.0)]
    )
    base = n.mix(n.math("MULTIPLY", bleed, 0.85), base, (0.04, 0.04, 0.042))
    # depth under the spill level, metres: positive where water stands
    depth = n.math(
        "ADD",
        n.attribute("depth"),
        n.math("MULTIPLY", n.math("SUBTRACT", n.noise(8, 7, rough=0.62), 0.5), 0.0034),
    )
    inside = n.ramp(n.math("MULTIPLY", depth, 60.0), [(0.0, 0.0), (0.1, 0.3), (0.7, 0.7)])
    silt = n.ramp(
        n.noise(11, 7, rough=0.65), [(0.3, (0.07, 0.058, 0.042)), (0.7, (0.15, 0.128, 0.095))]
    )
    base = n.mix(inside, base, silt)
    rim = n.math("ABSOLUTE", n.math("SUBTRACT", depth, 0.0003))
    ring = n.ramp(n.math("MULTIPLY", rim, 750.0), [(0.0, 1.0), (0.55, 0.75), (1.0, 0.0)])
    crumbs = n.ramp(n.noise(17, 8, rough=0.7), [(0.35, 0.12), (0.65, 0.8)])
    n.colour(n.mix(n.math("MULTIPLY", ring, crumbs), base, (0.36, 0.335, 0.275)))
    n.bump(n.math("ADD", n.noise(420, 2), n.math("MULTIPLY", bleed, -1.5)), 0.4, 0.003)
    return n.material


def wood(name: str, light: tuple, dark: tuple, roughness: float = 0.7):
    """Weathered boards with grain along x."""
    n = Nodes(name, roughness)
    grain = n.noise(9, 8, (0.12, 3, 3), 0.65)
    n.colour(n.ramp(grain, [(0.3, dark), (0.7, light)]))
    n.bump(grain, 0.25)
    return n.material


def brick():
    n = Nodes("brick", 0.9, 0.2)
    bricks = n.node("ShaderNodeTexBrick")
    for key, value in (
        ("Scale", 1.0),
        ("Mortar Size", 0.006),
        ("Brick Width", 0.21),
        ("Row Height", 0.075),
        ("Bias", -0.1),
    ):
        bricks.inputs[key].default_value = value
    bricks.inputs["Color1"].default_value = (0.21, 0.075, 0.05, 1)
    bricks.inputs["Color2"].default_value = (0.30, 0.12, 0.08, 1)
    bricks.inputs["Mortar"].default_value = (0.36, 0.34, 0.31, 1)
    turn = n.node("ShaderNodeCombineXYZ")
    n.link(n.math("ADD", n.axis("X"), n.axis("Y")), turn.inputs["X"])
    n.link(n.axis("Z"), turn.inputs["Y"])
    n.link(turn.outputs[0], bricks.inputs["Vector"])
    soot = n.ramp(n.noise(3, 6), [(0.35, 0.6), (0.7, 1.1)])
    n.colour(n.mix(1.0, bricks.outputs["Color"], soot, "MULTIPLY"))
    n.bump(bricks.outputs["Fac"], -0.5)
    return n.material


def concrete():
    n = Nodes("concrete", 0.85, 0.3)
    n.colour(
        n.ramp(n.noise(4, 9, rough=0.7), [(0.3, (0.27, 0.26, 0.24)), (0.7, (0.46, 0.45, 0.42))])
    )
    n.bump(n.noise(90, 4), 0.3)
    return n.material


def soil():
    """Lawn ground between the blades: worn and green patches."""
    n = Nodes("soil", 0.95, 0.1)
    fine = n.ramp(
        n.noise(45, 8, rough=0.7), [(0.3, (0.035, 0.05, 0.014)), (0.7, (0.10, 0.13, 0.04))]
    )
    worn = n.ramp(n.noise(0.35, 6), [(0.5, 0.0), (0.72, 1.0)])
    n.colour(n.mix(n.math("MULTIPLY", worn, 0.5), fine, (0.16, 0.125, 0.07)))
    n.bump(n.noise(45, 8), 0.8, 0.02)
    return n.material


def leaf(name: str, low: tuple, high: tuple, dry: tuple | None = None):
    """Leaves or grass: a tint a leaf, light passing through, `dry` in patches."""
    n = Nodes(name, 0.55, 0.3)
    tint = n.mix(n.attribute("tint"), low, high)
    where = n.node("ShaderNodeNewGeometry").outputs["Position"]
    patch = n.node("ShaderNodeTexNoise")
    patch.inputs["Scale"].default_value, patch.inputs["Detail"].default_value = 0.45, 6
    n.link(where, patch.inputs["Vector"])
    if dry is not None:
        worn = n.ramp(patch.outputs["Fac"], [(0.44, 0.0), (0.66, 0.75)])
        tint = n.mix(worn, tint, dry)
    tint = n.mix(1.0, tint, n.ramp(patch.outputs["Fac"], [(0.3, 0.7), (0.7, 1.2)]), "MULTIPLY")
    n.colour(tint)
    through = n.node("ShaderNodeBsdfTranslucent")
    n.link(tint, through.inputs["Color"])
    blend = n.node("ShaderNodeMixShader")
    blend.inputs[0].default_value = 0.42
    n.link(n.shader.outputs[0], blend.inputs[1])
    n.link(through.outputs[0], blend.inputs[2])
    n.link(blend.outputs[0], n.tree.nodes["Material Output"].inputs["Surface"])
    return n.material


def glass():
    """Window glass seen from outside: a mirror at grazing angles over what is behind it."""
    n = Nodes("glass")
    mirror, clear = n.node("ShaderNodeBsdfGlossy"), n.node("ShaderNodeBsdfTransparent")
    mirror.inputs["Roughness"].default_value = 0.005
    clear.inputs["Color"].default_value = (0.78, 0.84, 0.82, 1)
    facing = n.node("ShaderNodeFresnel")
    facing.inputs["IOR"].default_value = 1.75
    ripple = n.node("ShaderNodeBump")
    ripple.inputs["Strength"].default_value = 0.03
    ripple.inputs["Distance"].default_value = 0.02
    n.link(n.noise(2.2, 2), ripple.inputs["Height"])
    n.link(ripple.outputs[0], mirror.inputs["Normal"])
    blend = n.node("ShaderNodeMixShader")
    n.link(n.math("ADD", facing.outputs[0], 0.09), blend.inputs[0])
    n.link(clear.outputs[0], blend.inputs[1])
    n.link(mirror.outputs[0], blend.inputs[2])
    n.link(blend.outputs[0], n.tree.nodes["Material Output"].inputs["Surface"])
    return n.material


def curtain():
    n = Nodes("curtain", 0.9, 0.1)
    n.colour(n.ramp(n.noise(3, 4), [(0.3, (0.55, 0.52, 0.45)), (0.7, (0.74, 0.71, 0.63))]))
    return n.material


def metal(name: str, colour: tuple, roughness: float = 0.4):
    n = Nodes(name, roughness)
    n.shader.inputs["Metallic"].default_value = 0.85
    n.colour(n.ramp(n.noise(6, 6), [(0.3, tuple(c * 0.7 for c in colour)), (0.7, colour)]))
    return n.material


def printed(name: str, picture: str):
    """A printed sheet from its picture file, in the sheet's UV frame."""
    n = Nodes(name, 0.55, 0.35)
    texture = n.node("ShaderNodeTexImage", interpolation="Cubic", extension="EXTEND")
    texture.image = bpy.data.images.load(picture)
    uv = n.node("ShaderNodeUVMap")
    n.link(uv.outputs[0], texture.inputs["Vector"])
    ink = n.mix(1.0, texture.outputs["Color"], (0.80, 0.79, 0.76), "MULTIPLY")
    n.colour(n.mix(0.04, ink, (0.5, 0.5, 0.5)))
    return n.material
