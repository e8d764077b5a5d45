#include "ringsweep/page.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <nlohmann/json.hpp>
#include <stdexcept>
#include <string_view>
#include <utility>

#include "report/action.h"
#include "report/depth_colours.h"
#include "report/page_template.h"
#include "report/stack_text.h"
#include "report/wording.h"
#include "ringsweep/report.h"
#include "ringsweep/upright.h"

namespace ringsweep {
namespace {

using nlohmann::json;
using wording::valid_utf8;

/// RFC 4648, section 4.
std::string base64(std::string_view bytes) {
  static constexpr std::string_view kDigits =
      "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
  std::string text;
  text.reserve((bytes.size() + 2) / 3 * 4);
  for (std::size_t i = 0; i < bytes.size(); i += 3) {
    const std::size_t here = std::min<std::size_t>(3, bytes.size() - i);
    unsigned value = 0;
    for (std::size_t j = 0; j < 3; ++j)
      value = value << 8U | (j < here ? static_cast<unsigned char>(bytes[i + j]) : 0U);
    for (std::size_t j = 0; j < 4; ++j)
      text += j <= here ? kDigits[value >> (18U - 6U * static_cast<unsigned>(j)) & 63U] : '=';
  }
  return text;
}

/// "{{name}}" of a template replaced, once through: what is put in is not looked at again.
std::string filled(std::string_view text,
                   std::span<const std::pair<std::string_view, std::string_view>> values) {
  std::string result;
  std::size_t at = 0;
  while (true) {
    const std::size_t open = text.find("{{", at);
    const std::size_t close = open == std::string_view::npos ? open : text.find("}}", open);
    if (close == std::string_view::npos) break;
    result += text.substr(at, open - at);
    const std::string_view name = text.substr(open + 2, close - open - 2);
    const auto value = std::ranges::find(values, name, [](const auto& v) { return v.first; });
    if (value == values.end()) throw std::logic_error("the page has no value for its place");
    result += value->second;
    at = close + 2;
  }
  return result += text.substr(at);
}

/// JSON inside a page: nothing in it may end the element it stands in.
std::string for_page(const json& value) {
  const std::string text = value.dump();
  std::string safe;
  safe.reserve(text.size());
  for (const char c : text) {
    if (c == '<' || c == '>' || c == '&')
      safe += fmt::format("\\u{:04x}", static_cast<unsigned char>(c));
    else
      safe += c;
  }
  return safe;
}

std::string escaped(std::string_view text) {
  std::string safe;
  for (const char c : valid_utf8(text)) {
    if (c == '<')
      safe += "&lt;";
    else if (c == '>')
      safe += "&gt;";
    else if (c == '&')
      safe += "&amp;";
    else if (c == '"')
      safe += "&quot;";
    else
      safe += c;
  }
  return safe;
}

json picture_json(const PagePicture& picture) {
  if (picture.jpeg.empty()) return nullptr;
  return {{"src", "data:image/jpeg;base64," + base64(picture.jpeg)},
          {"w", picture.size.width},
          {"h", picture.size.height}};
}

json pictures_json(const BurstPictures& pictures) {
  json frames = json::array(), proofs = json::array();
  for (const PagePicture& frame : pictures.frames) frames.push_back(picture_json(frame));
  for (const Proof& proof : pictures.proofs)
    proofs.push_back({picture_json(proof.before), picture_json(proof.after)});
  return {{"frames", std::move(frames)},
          {"look", picture_json(pictures.look)},
          {"proofs", std::move(proofs)}};
}

double rounded(double value, double per_unit) {
  return std::round(value * per_unit) / per_unit + 0.0;
}

/// a b c / d e f of a map of places.
json affine_json(const cv::Matx33d& m) {
  json values = json::array();
  for (int row = 0; row < 2; ++row)
    for (int col = 0; col < 3; ++col) values.push_back(rounded(m(row, col), 1e6));
  return values;
}

/// Positions of the tiles in bytes: 0 not known, else low + (value - 1) * step.
json tiles_json(const BurstAnalysis& burst) {
  const DepthMap& depth = burst.depth;
  if (depth.q_px.empty()) return nullptr;
  constexpr double kLeastWeight = SubjectOptions{}.min_weight;
  const auto known = [&](int row, int col) {
    return std::isfinite(depth.q_px.at<float>(row, col)) &&
           depth.weight.at<float>(row, col) >= kLeastWeight;
  };
  double low = 1e300, high = -1e300;
  for (int row = 0; row < depth.q_px.rows; ++row)
    for (int col = 0; col < depth.q_px.cols; ++col)
      if (known(row, col)) {
        low = std::min<double>(low, depth.q_px.at<float>(row, col));
        high = std::max<double>(high, depth.q_px.at<float>(row, col));
      }
  if (low > high) return nullptr;
  constexpr double kSteps = 65534.0;
  const double step = std::max(1e-6, (high - low) / kSteps);
  std::string positions, roles;
  for (int row = 0; row < depth.q_px.rows; ++row)
    for (int col = 0; col < depth.q_px.cols; ++col) {
      const unsigned value =
          known(row, col) ? 1U + static_cast<unsigned>(
                                     std::lround((depth.q_px.at<float>(row, col) - low) / step))
                          : 0U;
      positions += static_cast<char>(value & 255U);
      positions += static_cast<char>(value >> 8U);
      roles += static_cast<char>(role_at(depth, row, col));
    }
  // From the corner of a tile, so that a tile is a square of edge 1.
  const cv::Matx33d middle(1.0, 0.0, -0.5, 0.0, 1.0, -0.5, 0.0, 0.0, 1.0);
  return {{"rows", depth.q_px.rows},
          {"cols", depth.q_px.cols},
          {"low", low},
          {"step", step},
          {"positions", base64(positions)},
          {"roles", base64(roles)},
          {"place", affine_json(upright_matrix(burst.full_size, burst.orientation) *
                                depth.reference_from_tile * middle)}};
}

std::string_view kind_word(FindingKind kind) {
  static constexpr std::array<std::string_view, 6> kWords{"gap",   "soft",     "open",
                                                          "moved", "trembled", "drops"};
  return kWords[static_cast<std::size_t>(kind)];
}

json box_json(const cv::Rect& box) {
  if (box.empty()) return nullptr;
  return {box.x, box.y, box.width, box.height};
}

json findings_json(const BurstAnalysis& burst) {
  json list = json::array();
  for (const Finding& finding : findings(burst))
    list.push_back({{"kind", kind_word(finding.kind)},
                    {"decides", finding.decides},
                    {"words", valid_utf8(finding.words)},
                    {"numbers", valid_utf8(finding.numbers)},
                    {"box", box_json(finding.box_px)},
                    {"crop", box_json(finding.crop_px)},
                    {"before", finding.before},
                    {"after", finding.after},
                    {"q_px", finding.q_px ? json(rounded(*finding.q_px, 1e3)) : json(nullptr)}});
  return list;
}

/// The summary's lines, each whole.
std::vector<std::string> summary_lines(const BurstAnalysis& burst) {
  std::vector<std::string> lines;
  const std::string text = summary_text(burst, kNoColumns);
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t end = std::min(text.find('\n', at), text.size());
    const std::size_t begin = std::min(text.find_first_not_of(' ', at), end);
    lines.push_back(text.substr(begin, end - begin));
    at = end + 1;
  }
  return lines;
}

json stack_json(const BurstAnalysis& burst, const std::optional<BurstStack>& stack) {
  if (!stack) return nullptr;
  json frames = json::array(), empty = json::array(), lists = json::array();
  for (std::size_t k = 0; k < stack->frames.size(); ++k) {
    const StackFrame& frame = stack->frames[k];
    frames.push_back({{"q", frame.q_px ? json(*frame.q_px) : json(nullptr)},
                      {"fault", wording::why_left_out(frame.fault)},
                      {"good", frame.fault == WhyLeftOut::in_the_list},
                      {"idle", frame.idle},
                      {"sweep", frame.sweep},
                      {"pose", frame.pose},
                      {"moved", frame.moved},
                      {"defect", stack_defect(frame, {.blur_limit_px = burst.blur_limit_px})}});
  }
  for (const DepthRange& range : stack->range.empty) empty.push_back({range.low_px, range.high_px});
  for (const StackList& list : stack->lists) {
    json why = json::array();
    for (const WhyLeftOut reason : list.left_out) why.push_back(wording::stack_label(reason));
    lists.push_back({{"pose", list.pose},
                     {"frames", wording::in_order_of_depth(burst, list)},
                     {"why", std::move(why)}});
  }
  return {{"low", stack->range.wanted.low_px}, {"high", stack->range.wanted.high_px},
          {"empty", std::move(empty)},         {"overlap", StackOptions{}.overlap},
          {"frames", std::move(frames)},       {"lists", std::move(lists)}};
}

json burst_page_json(const BurstAnalysis& burst, const PageBurst& more) {
  json labels = json::array(), clock = json::array(), places = json::array();
  const cv::Matx33d up = burst.full_size.empty()
                             ? cv::Matx33d::eye()
                             : upright_matrix(burst.full_size, burst.orientation);
  const std::vector<std::string> names = wording::frame_labels(burst);
  for (const std::string& label : names) labels.push_back(valid_utf8(label));
  for (std::size_t k = 0; k < burst.frames.size(); ++k) {
    clock.push_back(wording::time_of_day(burst, k));
    places.push_back(affine_json(up * burst.frames[k].reference_from_frame * up.inv()));
  }
  json sweeps = json::array();
  for (const Sweep& sweep : burst.sweeps)
    sweeps.push_back(wording::difference_words(sweep.difference));
  const cv::Size size = upright_size(burst.full_size, burst.orientation);
  json lines = json::array();
  for (const std::string& line : summary_lines(burst)) lines.push_back(valid_utf8(line));
  return {{"labels", std::move(labels)},
          {"clock", std::move(clock)},
          {"places", std::move(places)},
          {"size", {size.width, size.height}},
          {"headline", valid_utf8(headline(burst))},
          {"shot", valid_utf8(wording::frames_shot(burst, names))},
          {"lines", std::move(lines)},
          {"action", valid_utf8(wording::action(burst))},
          {"turn", burst.advice.turn_factor ? wording::turn_words(*burst.advice.turn_factor) : ""},
          {"differences", std::move(sweeps)},
          {"ends",
           {std::string(wording::near_or_far(burst, true)),
            std::string(wording::near_or_far(burst, false))}},
          {"tiles", tiles_json(burst)},
          {"findings", findings_json(burst)},
          {"stack", stack_json(burst, more.stack)}};
}

json colours_json() {
  json list = json::array();
  for (const cv::Vec3b& c : depth_colours()) list.push_back({c[2], c[1], c[0]});
  return list;
}

/// RFC 4180: quoted where it must be.
std::string field(std::string_view text) {
  if (text.find_first_of(",\"\r\n") == std::string_view::npos) return std::string(text);
  std::string quoted = "\"";
  for (const char c : text) {
    if (c == '"') quoted += '"';
    quoted += c;
  }
  quoted += '"';
  return quoted;
}

std::string number_field(std::optional<double> value) {
  return value && std::isfinite(*value) ? fmt::format("{:.3f}", rounded(*value, 1e3)) : "";
}

}  // namespace

std::string report_page(std::span<const BurstAnalysis> bursts, std::span<const Scene> scenes,
                        std::span<const PageBurst> more, const PageRun& run) {
  const std::vector<const BurstAnalysis*> shown = all_shown(bursts, scenes);
  if (more.size() != shown.size())
    throw std::invalid_argument("report_page needs one PageBurst a burst and a whole");
  json pages = json::array();
  std::string pictures, text;
  for (std::size_t i = 0; i < shown.size(); ++i) {
    pages.push_back(burst_page_json(*shown[i], more[i]));
    const std::string number = std::to_string(i + 1);
    const std::string data = for_page(pictures_json(more[i].pictures));
    const std::array<std::pair<std::string_view, std::string_view>, 2> values{
        {{"number", number}, {"data", data}}};
    pictures += filled(page::pictures_html(), values);
  }
  for (const BurstAnalysis& burst : bursts) {
    if (!text.empty()) text += '\n';
    text += summary_text(burst);
  }
  const std::string alike = scenes_text(bursts, scenes, kNoColumns);
  const std::string session = session_text(bursts, scenes, kNoColumns);
  if (bursts.size() > 1) text.append("\n").append(alike).append(session);
  const std::string data = for_page({{"report", report_json(bursts, scenes)},
                                     {"pages", std::move(pages)},
                                     {"alike", valid_utf8(alike)},
                                     {"session", valid_utf8(session)},
                                     {"left_out", valid_utf8(run.left_out)},
                                     {"paths", valid_utf8(run.paths)},
                                     {"colours", colours_json()}});
  const std::string escaped_text = escaped(text);
  const std::string title =
      escaped(bursts.size() == 1 ? bursts[0].folder : fmt::format("{} bursts", bursts.size()));
  const std::array<std::pair<std::string_view, std::string_view>, 7> values{
      {{"title", title},
       {"style", page::style()},
       {"text", escaped_text},
       {"data", data},
       {"pictures", pictures},
       {"library", page::library()},
       {"script", page::script()}}};
  return filled(page::page_html(), values);
}

std::string frames_csv(std::span<const BurstAnalysis> bursts, std::span<const PageBurst> more) {
  std::string text =
      "burst,folder,index,file,clock,time_s,focus_px,focus_sd_px,usable,flags,gain_ev,shake_px,"
      "scale,pose,stack\r\n";
  for (std::size_t i = 0; i < bursts.size(); ++i)
    for (std::size_t k = 0; k < bursts[i].frames.size(); ++k) {
      const FrameAnalysis& frame = bursts[i].frames[k];
      std::string flags, stack;
      for (const FrameFlag flag : frame.flags)
        flags += fmt::format("{}{}", flags.empty() ? "" : " ", wording::json_word(flag));
      // In one of the lists; else why not in its pose's.
      if (i < more.size() && more[i].stack)
        for (const StackList& list : more[i].stack->lists)
          if (stack.empty() || list.left_out[k] == WhyLeftOut::in_the_list ||
              list.pose == frame.pose)
            stack = wording::stack_label(list.left_out[k]);
      text += fmt::format("{},{},{},{},{},{},{},{},{},{},{},{},{},{},{}\r\n", i + 1,
                          field(valid_utf8(bursts[i].folder)), k + 1, field(valid_utf8(frame.file)),
                          wording::time_of_day(bursts[i], k), number_field(frame.time_s),
                          number_field(frame.focus_px), number_field(frame.focus_sd_px),
                          frame.usable ? "yes" : "no", field(flags), number_field(frame.gain_ev),
                          number_field(frame.shake_px),
                          frame.focus_px ? fmt::format("{:.6f}", frame.scale) : "", frame.pose + 1,
                          field(stack));
    }
  return text;
}

}  // namespace ringsweep
