# Completion of ringsweep for bash. tests/app holds it against --help.

_ringsweep() {
  local current=${COMP_WORDS[COMP_CWORD]} before=${COMP_WORDS[COMP_CWORD - 1]} command=${COMP_WORDS[1]} options
  COMPREPLY=()
  if [ "$COMP_CWORD" -eq 1 ]; then
    mapfile -t COMPREPLY < <(compgen -W "check watch stacklist plan --help --version" -- "$current")
    return
  fi
  case $before in
    --copy | --out | --sidecars)
      mapfile -t COMPREPLY < <(compgen -d -- "$current")
      return ;;
    --json | --list | --report | --subject-mask)
      mapfile -t COMPREPLY < <(compgen -f -- "$current")
      return ;;
    --f-number-is)
      mapfile -t COMPREPLY < <(compgen -W "marked working" -- "$current")
      return ;;
    --first)
      mapfile -t COMPREPLY < <(compgen -W "far near" -- "$current")
      return ;;
    --raw-picture)
      mapfile -t COMPREPLY < <(compgen -W "preview sensor" -- "$current")
      return ;;
    --moves)
      mapfile -t COMPREPLY < <(compgen -W "body camera lens" -- "$current")
      return ;;
    --blur-limit | --card | --degrees-per-mm | --depth-mm | --extension-mm | --f-number | --flash-wait | --flashes | --focal-length-mm | --frame-px | --from | --full-size | --last | --learn-lens | --leave-front | --lens | --magnification | --memory | --overlap | --pause | --pitch-um | --pupil-ratio | --rate | --sensor-width-mm | --since | --subject-box | --subject-polygon | --threads | --to | --turned | --working-f-number)
      return ;;
  esac
  case $command in
    check)
      options="--help --json --out --details --quiet --summary --card --all --last --since
        --raw --raw-picture --full-size --memory --no-cache --as-one --ignore-drops
        --blur-limit --blur-limit-handbook --first --threads --working-f-number --pitch-um
        --f-number --f-number-is --magnification --pupil-ratio --subject-box --subject-polygon
        --subject-mask --from --to --leave-front --moves --lens --learn-lens --turned" ;;
    watch)
      options="--help --out --bell --details --quiet --pause --raw --raw-picture --full-size --memory
        --no-cache --ignore-drops --blur-limit --blur-limit-handbook --first --threads --working-f-number --pitch-um
        --f-number --f-number-is --magnification --pupil-ratio" ;;
    stacklist)
      options="--help --all-good --fewest --overlap --from --to --list --copy --sidecars --report
        --card --all --last --since --raw --raw-picture --full-size --memory --no-cache --as-one --ignore-drops
        --blur-limit --blur-limit-handbook --first --threads
        --working-f-number --pitch-um --f-number --f-number-is --magnification --pupil-ratio" ;;
    plan)
      options="--help --depth-mm --magnification --extension-mm --focal-length-mm --f-number
        --f-number-is --working-f-number --pupil-ratio --moves --degrees-per-mm --lens
        --pitch-um --frame-px --sensor-width-mm --blur-limit --blur-limit-handbook --overlap
        --rate --flashes --flash-wait --json" ;;
    *)
      return ;;
  esac
  if [[ $current == -* ]]; then
    mapfile -t COMPREPLY < <(compgen -W "$options" -- "$current")
  elif [ "$command" != plan ]; then
    compopt -o filenames
    mapfile -t COMPREPLY < <(compgen -f -- "$current")
  fi
}
complete -F _ringsweep ringsweep
