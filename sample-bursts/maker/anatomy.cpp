#include "maker/anatomy.h"

#include <algorithm>
#include <cmath>

#include "maker/paint.h"
#include "maker/vectors.h"

namespace ringsweep::maker {

using cv::Vec3f;

/// Hairs on the camera's side of an ellipsoid, combed backwards.
void comb(const Light& light, const Ellipsoid& e, const Body& body, int count, float length,
          Stream& r, std::vector<Object>& objects) {
  for (int i = 0; i < count;) {
    const Vec3f on = unit({r.normal(), r.normal(), r.normal()});
    const Vec3f local(on[0] * e.half[0], on[1] * e.half[1], on[2] * e.half[2]);
    const Vec3f normal =
        unit(e.axes * Vec3f(on[0] / e.half[0], on[1] / e.half[1], on[2] / e.half[2]));
    if (normal[2] < -0.2F) continue;
    ++i;
    const Vec3f root = e.centre + e.axes * local * 0.99F;
    const Vec3f lean = Vec3f(r.normal(), r.normal(), r.normal()) * 0.18F;
    const float l = length * r.uniform(0.7F, 1.3F);
    const Vec3f middle = root + unit(normal * 0.9F - body.ahead * 0.5F + lean) * (0.5F * l);
    const Vec3f end = middle + unit(normal * 0.4F - body.ahead * 0.9F + lean) * (0.5F * l);
    objects.push_back({{Tube{{root, middle, end}, {0.75F, 0.6F, 0.25F}}},
                       hair(light, Vec3f(0.50F, 0.40F, 0.24F) * r.uniform(0.5F, 1.3F)),
                       true});
  }
}

/// Thigh, shin, foot of four beads and two claws.
void add_leg(const Light& light, const Body& body, const LegLook& look, const Vec3f& hip,
             const Vec3f& knee, const Vec3f& heel, const Vec3f& toe, Stream& r,
             std::vector<Object>& objects) {
  const std::uint64_t own = r.next();
  const Vec3f& dark = look.colour;
  const float thick = look.thickness;
  Tube thigh, shin, foot;
  for (int k = 0; k <= 6; ++k) {
    const float t = static_cast<float>(k) / 6.0F;
    thigh.points.push_back(hip + (knee - hip) * t);
    thigh.radii.push_back(thick *
                          (11.0F + 7.0F * std::sin(kPi * std::min(1.0F, 0.2F + 0.75F * t))));
    shin.points.push_back(knee + (heel - knee) * t + body.side * (5.0F * std::sin(kPi * t)));
    shin.radii.push_back(thick * (9.0F - 2.0F * std::sin(kPi * t) + 0.5F * t));
  }
  for (int k = 0; k <= 16; ++k) {
    const float t = static_cast<float>(k) / 16.0F;
    foot.points.push_back(heel + (toe - heel) * t);
    foot.radii.push_back(thick * (3.6F + 3.2F * std::abs(std::sin(4.0F * kPi * t))));
  }
  objects.push_back({{thigh}, limb(light, own, dark), true});
  objects.push_back({{shin}, limb(light, own + 1, dark * 1.1F), true});
  objects.push_back({{foot}, limb(light, own + 2, dark * 0.9F), true});
  const Vec3f stride = unit(toe - heel);
  for (const float sign : {-1.0F, 1.0F}) {
    const Vec3f spread = unit(stride + body.side * (0.6F * sign));
    objects.push_back({{Tube{{toe, toe + spread * 7.0F, toe + spread * 11.0F - body.up * 4.0F},
                             {2.4F, 1.6F, 0.6F}}},
                       hair(light, {0.07F, 0.04F, 0.025F}),
                       true});
  }
  for (int i = 0; i < look.bristles; ++i) {
    const bool upper = r.uniform() < 0.45F;
    const Vec3f a = upper ? hip : knee, b = upper ? knee : heel;
    const Vec3f along = unit(b - a);
    const Vec3f out = square_to({r.normal(), r.normal(), r.normal() + 0.6F}, along);
    const Vec3f root = a + (b - a) * r.uniform(0.1F, 1.0F) + out * (thick * (upper ? 13.0F : 7.5F));
    const Vec3f end = root + unit(out * 0.6F + along) * r.uniform(8.0F, 15.0F);
    objects.push_back({{Tube{{root, end}, {0.65F, 0.25F}}},
                       hair(light, Vec3f(0.45F, 0.36F, 0.22F) * r.uniform(0.5F, 1.2F)),
                       true});
  }
}

void add_antenna(const Light& light, const Vec3f& root, const Vec3f& first, const Vec3f& then,
                 const AntennaLook& look, Stream& r, std::vector<Object>& objects) {
  Tube antenna;
  Vec3f at = root;
  constexpr int kBeads = 11, kPerBead = 6;
  for (int k = 0; k <= kBeads * kPerBead; ++k) {
    const float t = static_cast<float>(k) / (kBeads * kPerBead);
    antenna.points.push_back(at);
    const float bead = std::abs(std::sin(kPi * static_cast<float>(k) / kPerBead));
    antenna.radii.push_back(look.thickness * (2.4F + (2.6F + 1.6F * t) * bead));
    at += unit(mix(first, then, smooth_step(0.0F, 1.0F, t))) * (look.length / (kBeads * kPerBead));
  }
  objects.push_back({{antenna}, limb(light, r.next(), look.colour), true});
}

void tag(std::vector<Object>& objects, std::size_t first, std::uint8_t part) {
  for (std::size_t i = first; i < objects.size(); ++i) objects[i].part = part;
}

}  // namespace ringsweep::maker
