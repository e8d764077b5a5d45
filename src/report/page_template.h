#pragma once
/// The files of page/ and the library of charts, as they were when the program was built.

#include <string_view>

namespace ringsweep::page {

[[nodiscard]] std::string_view page_html();      ///< page.html
[[nodiscard]] std::string_view pictures_html();  ///< pictures.html, once for each burst
[[nodiscard]] std::string_view style();          ///< page.css
[[nodiscard]] std::string_view library();        ///< what draws the charts, with its licences
[[nodiscard]] std::string_view script();         ///< the scripts, one after the other

}  // namespace ringsweep::page
