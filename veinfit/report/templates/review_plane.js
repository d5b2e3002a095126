"use strict";
/*
 * The ostial plane as a handle in the 3D view: handlePlane(viewer, { vein, shift, shiftTo, show }).
 * vein() is the one whose plane may be moved, or null; shift() its shift now, mm; shiftTo(mm) asks
 * for another, and show(centre) moves the plane before the answer comes.
 */
const handlePlane = (viewer, { vein: chosen, shift, shiftTo, show }) => {
  const { dot } = viewerShapes;
  viewer.intercept(({ ray, x, y }) => {
    const vein = chosen();
    if (!vein) return null;
    const across = dot(ray.direction, vein.normal);
    if (Math.abs(across) < 0.05) {
      // Seen edge on: the line of the plane itself is the handle.
      const [px, py] = viewer.project(vein.centre);
      if (Math.hypot(px - x, py - y) > vein.reach / viewer.state().perPixel) return null;
      // Where the ray passes the centre: its far origin lies off a plane that is not quite edge on.
      const off = ray.origin.map((c, i) => c - vein.centre[i]), far = dot(off, ray.direction);
      const beside = off.map((c, i) => c - far * ray.direction[i]);
      if (Math.abs(dot(beside, vein.normal)) > 2) return null;
    } else {
      const t = dot(vein.centre.map((c, i) => c - ray.origin[i]), vein.normal) / across;
      const hit = ray.origin.map((c, i) => c + t * ray.direction[i] - vein.centre[i]);
      if (Math.hypot(...hit) > vein.reach) return null;
    }
    // A millimetre along the vein, in pixels: little where one looks down the vein.
    const from = viewer.project(vein.centre);
    const to = viewer.project(vein.centre.map((c, i) => c + vein.axis[i]));
    const step = [to[0] - from[0], to[1] - from[1]], length = dot([...step, 0], [...step, 0]);
    if (length * viewer.state().perPixel ** 2 < 0.1) return null;
    const start = shift(), centre = vein.centre, axis = vein.axis;
    return {
      move(at) {
        shiftTo(start + ((at.x - x) * step[0] + (at.y - y) * step[1]) / length);
        const mm = shift() - start;
        show(centre.map((c, i) => c + mm * axis[i]));
      },
      end() {},
    };
  });
};
