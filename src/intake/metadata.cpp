#include "metadata.h"

#include <array>
#include <charconv>
#include <chrono>
#include <cmath>
#include <exiv2/exiv2.hpp>
#include <mutex>

#include "raw_reader.h"
#include "reduced_copy.h"

namespace ringsweep {
namespace {

void lock_xmp(void* mutex, bool lock) {
  auto* m = static_cast<std::mutex*>(mutex);
  if (lock) {
    m->lock();
  } else {
    m->unlock();
  }
}

/// Exiv2's own start is not safe from many threads, and it reports on standard error.
void initialise_exiv2() {
  static std::mutex xmp_mutex;
  static std::once_flag once;
  std::call_once(once, [] {
    Exiv2::LogMsg::setLevel(Exiv2::LogMsg::mute);
    Exiv2::XmpParser::initialize(lock_xmp, &xmp_mutex);
    Exiv2::enableBMFF(true);
  });
}

std::string text(const Exiv2::ExifData& exif, const char* key) {
  const auto it = exif.findKey(Exiv2::ExifKey(key));
  if (it == exif.end()) return {};
  std::string value = it->toString();
  value.erase(std::find(value.begin(), value.end(), '\0'), value.end());
  while (!value.empty() && value.back() == ' ') value.pop_back();
  return value;
}

/// The first value of a tag, a number or a fraction "a/b" as Exiv2 prints it. Exact, where Exiv2's
/// own conversion goes through a float.
std::optional<double> number(const Exiv2::ExifData& exif, const char* key) {
  const std::string value = text(exif, key);
  const char* end = value.data() + value.size();
  double above = 0.0;
  auto [rest, error] = std::from_chars(value.data(), end, above);
  if (error != std::errc()) return std::nullopt;
  double below = 1.0;
  if (rest != end && *rest == '/') {
    if (std::from_chars(rest + 1, end, below).ec != std::errc() || below == 0.0)
      return std::nullopt;
  }
  const double result = above / below;
  return std::isfinite(result) ? std::optional(result) : std::nullopt;
}

std::optional<double> number_between(const Exiv2::ExifData& exif, const char* key, double low,
                                     double high) {
  const auto value = number(exif, key);
  return value && *value >= low && *value <= high ? value : std::nullopt;
}

std::optional<double> read_time_s(const Exiv2::ExifData& exif) {
  // When it was shot, else when it was made digital, which for a camera is the same. DateTime is no
  // third choice: editors set it to the time of saving.
  if (const auto time_s = capture_time_s(text(exif, "Exif.Photo.DateTimeOriginal"),
                                         text(exif, "Exif.Photo.SubSecTimeOriginal")))
    return time_s;
  if (const auto time_s = capture_time_s(text(exif, "Exif.Photo.DateTimeDigitized"),
                                         text(exif, "Exif.Photo.SubSecTimeDigitized")))
    return time_s;
  return capture_time_s(text(exif, "Exif.Image.DateTimeOriginal"), "");
}

/// Of the full-size picture: a camera counts the pixels it records.
std::optional<double> read_pitch_mm(const Exiv2::ExifData& exif) {
  std::optional<double> pitch_mm;
  for (const std::string group : {"Exif.Photo.", "Exif.Image."}) {
    const auto resolution = number(exif, (group + "FocalPlaneXResolution").c_str());
    if (!resolution) continue;
    // Inch where the unit is absent: the default of Exif (from memory).
    const auto unit = number(exif, (group + "FocalPlaneResolutionUnit").c_str()).value_or(2.0);
    pitch_mm =
        pixel_pitch_mm(*resolution, static_cast<int>(std::lround(std::clamp(unit, 0.0, 9.0))));
    if (pitch_mm) break;
  }
  return pitch_mm;
}

constexpr int kMostPx = 1'000'000;  // a side

std::optional<cv::Size> size_of(const Exiv2::ExifData& exif, const char* width,
                                const char* height) {
  const auto x = number_between(exif, width, 1.0, kMostPx);
  const auto y = number_between(exif, height, 1.0, kMostPx);
  if (!x || !y) return std::nullopt;
  return cv::Size(static_cast<int>(*x), static_cast<int>(*y));
}

/// The full size by the sensor's own: its diagonal is the focal length's share of that of 24 x 36
/// mm (FocalLengthIn35mmFilm, CIPA DC-008), and its pixels are counted by FocalPlaneXResolution.
std::optional<cv::Size> size_by_sensor(const Exiv2::ExifData& exif, cv::Size file_size,
                                       std::optional<double> pitch_mm) {
  const auto focal_mm = number_between(exif, "Exif.Photo.FocalLength", 0.1, 1e5);
  const auto film_mm = number_between(exif, "Exif.Photo.FocalLengthIn35mmFilm", 1.0, 1e5);
  if (!focal_mm || !film_mm || !pitch_mm) return std::nullopt;
  const double full_px = std::hypot(24.0, 36.0) * *focal_mm / *film_mm / *pitch_mm;
  const double times = full_px / std::hypot(file_size.width, file_size.height);
  // The film's focal length is a whole number, and by width as often as by diagonal: a tenth or so.
  constexpr double kSurely = 1.25;
  if (times < kSurely || !(times * std::max(file_size.width, file_size.height) < kMostPx))
    return std::nullopt;
  return cv::Size(cvRound(times * file_size.width), cvRound(times * file_size.height));
}

/// The picture that the camera shot, where this one is a reduced copy. Programs that make copies
/// write some of the sizes anew and forget the others, so the largest counts that has the picture's
/// shape: one of another shape was cut.
std::optional<cv::Size> size_shot(const Exiv2::ExifData& exif, cv::Size file_size,
                                  std::optional<double> pitch_mm) {
  std::optional<cv::Size> largest;
  for (const auto& shot :
       {size_of(exif, "Exif.Photo.PixelXDimension", "Exif.Photo.PixelYDimension"),
        size_of(exif, "Exif.Image.ImageWidth", "Exif.Image.ImageLength"),
        size_of(exif, "Exif.Iop.RelatedImageWidth", "Exif.Iop.RelatedImageLength"),
        size_by_sensor(exif, file_size, pitch_mm)})
    if (shot && reduced_by(file_size, *shot) && (!largest || shot->area() > largest->area()))
      largest = shot;
  return largest;
}

/// Whether a JPEG may be a reduced copy although none of its sizes says so. From this diagonal on
/// it does not matter: whatever the full size, half of its width, or a blur of diagonal / 3000, is
/// then seen. Below, a picture is what it says, unless
/// - it has no data of a camera: somebody took them out, and as likely made it smaller;
/// - it was saved again after it was shot;
/// - it has all that a camera writes of itself, and of 2010 or later: no camera's full size has
///   been so small since (ours, no source).
/// What is left was made by a program as it is. Lossless files hold no such data, and nobody makes
/// them to save room: they count as they are.
bool may_be_reduced(const Exiv2::ExifData& exif, cv::Size file_size) {
  constexpr double kSurelyEnoughPx = 3000.0;
  constexpr double kYear2010S = 1'262'304'000.0;  // 2010-01-01, seconds since 1970
  constexpr double kSavedAtOnceS = 60.0;          // a slow card's buffer
  if (std::hypot(file_size.width, file_size.height) >= kSurelyEnoughPx) return false;
  const std::optional<double> shot_s = read_time_s(exif);
  if (!shot_s && text(exif, "Exif.Photo.ExposureTime").empty()) return true;
  const auto saved_s = capture_time_s(text(exif, "Exif.Image.DateTime"), "");
  if (shot_s && saved_s && *saved_s > *shot_s + kSavedAtOnceS) return true;
  const bool by_camera = !text(exif, "Exif.Image.Make").empty() &&
                         !text(exif, "Exif.Image.Model").empty() &&
                         !text(exif, "Exif.Photo.PixelXDimension").empty();
  return by_camera && shot_s.value_or(0.0) >= kYear2010S;
}

void read_sizes(const Exiv2::ExifData& exif, bool is_jpeg, Metadata& metadata) {
  if (!metadata.file_size) return;
  metadata.full_size = metadata.file_size;
  if (const auto shot = size_shot(exif, *metadata.file_size, metadata.pixel_pitch_mm)) {
    metadata.full_size = turned_like(*metadata.file_size, *shot);
    metadata.full_size_from = FullSizeFrom::exif;
  } else if (is_jpeg && may_be_reduced(exif, *metadata.file_size)) {
    metadata.full_size_from = FullSizeFrom::unknown;
  }
}

Metadata from_exif(const std::filesystem::path& path, bool is_raw) {
  initialise_exiv2();
  Metadata metadata;
  const auto image = Exiv2::ImageFactory::open(path.string());
  if (image.get() == nullptr) return metadata;
  image->readMetadata();
  if (!is_raw) {  // for a raw file this may be the size of its thumbnail
    const cv::Size size(image->pixelWidth(), image->pixelHeight());
    if (size.width > 0 && size.height > 0 && size.width < kMostPx && size.height < kMostPx)
      metadata.file_size = size;
  }
  const Exiv2::ExifData& exif = image->exifData();
  metadata.pixel_pitch_mm = read_pitch_mm(exif);
  read_sizes(exif, image->mimeType() == "image/jpeg", metadata);
  if (exif.empty()) return metadata;
  metadata.time_s = read_time_s(exif);
  metadata.orientation =
      static_cast<int>(number_between(exif, "Exif.Image.Orientation", 1.0, 8.0).value_or(1.0));
  // Bounds are what a camera can do, widely; a manual lens writes f-number or focal length 0.
  auto& settings = metadata.settings;
  settings.exposure_time_s = number_between(exif, "Exif.Photo.ExposureTime", 1e-6, 1e5);
  settings.f_number = number_between(exif, "Exif.Photo.FNumber", 0.1, 1e3);
  settings.focal_length_mm = number_between(exif, "Exif.Photo.FocalLength", 0.1, 1e5);
  settings.iso = number_between(exif, "Exif.Photo.ISOSpeedRatings", 1.0, 1e8);
  for (const char* key : {"Exif.Image.Make", "Exif.Image.Model", "Exif.Photo.BodySerialNumber"})
    metadata.camera += text(exif, key) + '/';
  if (metadata.camera == "///") metadata.camera.clear();
  return metadata;
}

}  // namespace

std::optional<double> capture_time_s(std::string_view date_time, std::string_view fraction) {
  // Where each number begins and how long it is.
  constexpr std::array<std::array<std::size_t, 2>, 6> kFields = {
      {{0, 4}, {5, 2}, {8, 2}, {11, 2}, {14, 2}, {17, 2}}};
  if (date_time.size() < 19) return std::nullopt;
  std::array<int, 6> v{};
  for (std::size_t i = 0; i < v.size(); ++i) {
    const char* begin = date_time.data() + kFields[i][0];
    const char* end = begin + kFields[i][1];
    const auto [rest, error] = std::from_chars(begin, end, v[i]);
    if (error != std::errc() || rest != end || v[i] < 0) return std::nullopt;
  }
  using namespace std::chrono;
  const year_month_day date{year{v[0]}, month{static_cast<unsigned>(v[1])},
                            day{static_cast<unsigned>(v[2])}};
  // 1900: a clock that was never set may stand before 1970, but not in the year 0.
  if (v[0] < 1900 || !date.ok() || v[3] > 23 || v[4] > 59 || v[5] > 60) return std::nullopt;
  double time_s = static_cast<double>(sys_days{date}.time_since_epoch().count()) * 86400.0 +
                  v[3] * 3600.0 + v[4] * 60.0 + v[5];
  double digit = 0.1;
  for (const char c : fraction) {
    if (c < '0' || c > '9') break;
    time_s += digit * (c - '0');
    digit *= 0.1;
  }
  return time_s;
}

std::optional<double> pixel_pitch_mm(double pixels_per_unit, int unit) {
  double unit_mm = 0.0;
  switch (unit) {
    case 2:
      unit_mm = 25.4;
      break;
    case 3:
      unit_mm = 10.0;
      break;
    case 4:
      unit_mm = 1.0;
      break;
    case 5:
      unit_mm = 0.001;
      break;
    default:
      return std::nullopt;
  }
  const double pitch_mm = unit_mm / pixels_per_unit;
  // Pixels of 0.3 um to 0.1 mm: what sensors have, widely. Common practice, no source.
  return pitch_mm >= 3e-4 && pitch_mm <= 0.1 ? std::optional(pitch_mm) : std::nullopt;
}

std::vector<unsigned char> embedded_thumbnail(const std::filesystem::path& path) {
  try {
    initialise_exiv2();
    const auto image = Exiv2::ImageFactory::open(path.string());
    image->readMetadata();
    const Exiv2::DataBuf bytes = Exiv2::ExifThumbC(image->exifData()).copy();
    return {bytes.pData_, bytes.pData_ + bytes.size_};
  } catch (...) {  // as in read_metadata()
    return {};
  }
}

Metadata read_metadata(const std::filesystem::path& path, bool is_raw) {
  Metadata metadata;
  try {
    metadata = from_exif(path, is_raw);
  } catch (...) {  // Exiv2's own errors, and whatever a damaged file makes it throw
    metadata = {};
  }
  if (!is_raw || metadata.time_s) return metadata;
  try {  // containers that Exiv2 cannot read
    if (const auto raw = read_raw_metadata(path.string())) {
      metadata.time_s = raw->time_s;
      if (metadata.orientation == 1) metadata.orientation = raw->orientation;
      auto& settings = metadata.settings;
      if (!settings.exposure_time_s) settings.exposure_time_s = raw->exposure_time_s;
      if (!settings.f_number) settings.f_number = raw->f_number;
      if (!settings.focal_length_mm) settings.focal_length_mm = raw->focal_length_mm;
      if (!settings.iso) settings.iso = raw->iso;
      if (metadata.camera.empty()) metadata.camera = raw->camera;
    }
  } catch (...) {
    return metadata;
  }
  return metadata;
}

}  // namespace ringsweep
