"""The parser's table of conditions: what the library makes of `conditions.GRAMMAR`, which takes some time.
Written by tests/helpers/condition_table.py."""

from typing import Any

# fmt: off
MADE_OF = ('1.3.1', 1966978785)
TABLE: dict[str, Any] = (
    {'data': {'parser': {'lexer_conf': {'terminals': [{'@': 0}, {'@': 1}, {'@': 2}, {'@': 3}, {'@': 4}, {'@': 5}, {'@':
    6}, {'@': 7}, {'@': 8}, {'@': 9}, {'@': 10}, {'@': 11}, {'@': 12}, {'@': 13}], 'ignore': ['__IGNORE_0'],
    'g_regex_flags': 0, 'use_bytes': False, 'lexer_type': 'contextual', '__type__': 'LexerConf'}, 'parser_conf':
    {'rules': [{'@': 14}, {'@': 15}, {'@': 16}, {'@': 17}, {'@': 18}, {'@': 19}, {'@': 20}, {'@': 21}, {'@': 22}, {'@':
    23}, {'@': 24}, {'@': 25}, {'@': 26}, {'@': 27}, {'@': 28}, {'@': 29}, {'@': 30}, {'@': 31}, {'@': 32}], 'start':
    ['start'], 'parser_type': 'lalr', '__type__': 'ParserConf'}, 'parser': {'tokens': {0: 'EQUALITY', 1: '$END', 2:
    'XOR', 3: 'AND', 4: 'OR', 5: 'AMPERSAND', 6: 'RPAR', 7: 'ORDER', 8: 'TRUE', 9: 'NAME', 10: 'FALSE', 11: 'unary', 12:
    'atom', 13: 'LPAR', 14: 'INTEGER', 15: 'NOT', 16: 'equality', 17: 'and', 18: 'comparison', 19: 'xor', 20: 'or', 21:
    'start'}, 'states': {0: {0: (0, 16), 1: (1, {'@': 20}), 2: (1, {'@': 20}), 3: (1, {'@': 20}), 4: (1, {'@': 20}), 5:
    (1, {'@': 20}), 6: (1, {'@': 20})}, 1: {7: (1, {'@': 24}), 1: (1, {'@': 24}), 2: (1, {'@': 24}), 3: (1, {'@': 24}),
    4: (1, {'@': 24}), 0: (1, {'@': 24}), 5: (1, {'@': 24}), 6: (1, {'@': 24})}, 2: {2: (0, 29), 1: (1, {'@': 15}), 4:
    (1, {'@': 15}), 6: (1, {'@': 15})}, 3: {5: (0, 20), 3: (0, 24), 1: (1, {'@': 18}), 4: (1, {'@': 18}), 2: (1, {'@':
    18}), 6: (1, {'@': 18})}, 4: {0: (0, 16), 1: (1, {'@': 19}), 2: (1, {'@': 19}), 3: (1, {'@': 19}), 4: (1, {'@':
    19}), 5: (1, {'@': 19}), 6: (1, {'@': 19})}, 5: {8: (0, 15), 9: (0, 25), 10: (0, 23), 11: (0, 28), 12: (0, 17), 13:
    (0, 18), 14: (0, 27), 15: (0, 22)}, 6: {16: (0, 4), 13: (0, 18), 14: (0, 27), 17: (0, 10), 15: (0, 22), 18: (0, 9),
    9: (0, 25), 12: (0, 17), 11: (0, 1), 19: (0, 2), 20: (0, 7), 21: (0, 13), 10: (0, 23), 8: (0, 15)}, 7: {4: (0, 11),
    1: (1, {'@': 14})}, 8: {2: (0, 29), 1: (1, {'@': 16}), 4: (1, {'@': 16}), 6: (1, {'@': 16})}, 9: {7: (0, 5), 1: (1,
    {'@': 22}), 2: (1, {'@': 22}), 3: (1, {'@': 22}), 4: (1, {'@': 22}), 0: (1, {'@': 22}), 5: (1, {'@': 22}), 6: (1,
    {'@': 22})}, 10: {5: (0, 20), 3: (0, 24), 1: (1, {'@': 17}), 4: (1, {'@': 17}), 2: (1, {'@': 17}), 6: (1, {'@':
    17})}, 11: {18: (0, 9), 8: (0, 15), 12: (0, 17), 9: (0, 25), 13: (0, 18), 10: (0, 23), 19: (0, 8), 17: (0, 10), 16:
    (0, 4), 11: (0, 1), 14: (0, 27), 15: (0, 22)}, 12: {7: (0, 5), 1: (1, {'@': 23}), 2: (1, {'@': 23}), 3: (1, {'@':
    23}), 4: (1, {'@': 23}), 0: (1, {'@': 23}), 5: (1, {'@': 23}), 6: (1, {'@': 23})}, 13: {}, 14: {6: (1, {'@': 32}),
    2: (1, {'@': 32}), 3: (1, {'@': 32}), 0: (1, {'@': 32}), 7: (1, {'@': 32}), 1: (1, {'@': 32}), 4: (1, {'@': 32}), 5:
    (1, {'@': 32})}, 15: {6: (1, {'@': 30}), 2: (1, {'@': 30}), 3: (1, {'@': 30}), 0: (1, {'@': 30}), 7: (1, {'@': 30}),
    1: (1, {'@': 30}), 4: (1, {'@': 30}), 5: (1, {'@': 30})}, 16: {18: (0, 12), 8: (0, 15), 9: (0, 25), 10: (0, 23), 12:
    (0, 17), 11: (0, 1), 14: (0, 27), 13: (0, 18), 15: (0, 22)}, 17: {6: (1, {'@': 26}), 2: (1, {'@': 26}), 3: (1, {'@':
    26}), 0: (1, {'@': 26}), 7: (1, {'@': 26}), 1: (1, {'@': 26}), 4: (1, {'@': 26}), 5: (1, {'@': 26})}, 18: {16: (0,
    4), 13: (0, 18), 14: (0, 27), 17: (0, 10), 15: (0, 22), 18: (0, 9), 9: (0, 25), 12: (0, 17), 11: (0, 1), 19: (0, 2),
    20: (0, 21), 10: (0, 23), 8: (0, 15)}, 19: {0: (0, 16), 1: (1, {'@': 21}), 2: (1, {'@': 21}), 3: (1, {'@': 21}), 4:
    (1, {'@': 21}), 5: (1, {'@': 21}), 6: (1, {'@': 21})}, 20: {16: (0, 19), 18: (0, 9), 8: (0, 15), 9: (0, 25), 10: (0,
    23), 12: (0, 17), 11: (0, 1), 14: (0, 27), 13: (0, 18), 15: (0, 22)}, 21: {4: (0, 11), 6: (0, 14)}, 22: {8: (0, 15),
    9: (0, 25), 11: (0, 26), 10: (0, 23), 12: (0, 17), 13: (0, 18), 14: (0, 27), 15: (0, 22)}, 23: {6: (1, {'@': 31}),
    2: (1, {'@': 31}), 3: (1, {'@': 31}), 0: (1, {'@': 31}), 7: (1, {'@': 31}), 1: (1, {'@': 31}), 4: (1, {'@': 31}), 5:
    (1, {'@': 31})}, 24: {18: (0, 9), 8: (0, 15), 16: (0, 0), 9: (0, 25), 10: (0, 23), 12: (0, 17), 11: (0, 1), 14: (0,
    27), 13: (0, 18), 15: (0, 22)}, 25: {6: (1, {'@': 28}), 2: (1, {'@': 28}), 3: (1, {'@': 28}), 0: (1, {'@': 28}), 7:
    (1, {'@': 28}), 1: (1, {'@': 28}), 4: (1, {'@': 28}), 5: (1, {'@': 28})}, 26: {6: (1, {'@': 27}), 2: (1, {'@': 27}),
    3: (1, {'@': 27}), 0: (1, {'@': 27}), 7: (1, {'@': 27}), 1: (1, {'@': 27}), 4: (1, {'@': 27}), 5: (1, {'@': 27})},
    27: {6: (1, {'@': 29}), 2: (1, {'@': 29}), 3: (1, {'@': 29}), 0: (1, {'@': 29}), 7: (1, {'@': 29}), 1: (1, {'@':
    29}), 4: (1, {'@': 29}), 5: (1, {'@': 29})}, 28: {7: (1, {'@': 25}), 1: (1, {'@': 25}), 2: (1, {'@': 25}), 3: (1,
    {'@': 25}), 4: (1, {'@': 25}), 0: (1, {'@': 25}), 5: (1, {'@': 25}), 6: (1, {'@': 25})}, 29: {18: (0, 9), 8: (0,
    15), 9: (0, 25), 13: (0, 18), 10: (0, 23), 16: (0, 4), 17: (0, 3), 12: (0, 17), 11: (0, 1), 14: (0, 27), 15: (0,
    22)}}, 'start_states': {'start': 6}, 'end_states': {'start': 13}}, '__type__': 'ParsingFrontend'}, 'rules': [{'@':
    14}, {'@': 15}, {'@': 16}, {'@': 17}, {'@': 18}, {'@': 19}, {'@': 20}, {'@': 21}, {'@': 22}, {'@': 23}, {'@': 24},
    {'@': 25}, {'@': 26}, {'@': 27}, {'@': 28}, {'@': 29}, {'@': 30}, {'@': 31}, {'@': 32}], 'options': {'debug': False,
    'strict': False, 'keep_all_tokens': False, 'tree_class': None, 'cache': False, 'cache_grammar': False, 'postlex':
    None, 'parser': 'lalr', 'lexer': 'contextual', 'transformer': None, 'start': ['start'], 'priority': 'normal',
    'ambiguity': 'auto', 'regex': False, 'propagate_positions': False, 'lexer_callbacks': {}, 'maybe_placeholders':
    False, 'edit_terminals': None, 'g_regex_flags': 0, 'use_bytes': False, 'ordered_sets': True, 'import_paths': [],
    'source_path': None, '_plugins': {}}, '__type__': 'Lark'}, 'memo': {0: {'name': 'EQUALITY', 'pattern': {'value':
    '(?:<>|=)', 'flags': [], 'raw': None, '_width': [1, 2], '__type__': 'PatternRE'}, 'priority': 0, '__type__':
    'TerminalDef'}, 1: {'name': 'ORDER', 'pattern': {'value': '(?:<=|>=|<(?!>)|>)', 'flags': [], 'raw': None, '_width':
    [1, 2], '__type__': 'PatternRE'}, 'priority': 0, '__type__': 'TerminalDef'}, 2: {'name': 'INTEGER', 'pattern':
    {'value': '[-+]?(2#[01](_?[01])*|8#[0-7](_?[0-7])*|16#[0-9a-fA-F](_?[0-9a-fA-F])*|[0-9](_?[0-9])*)(?![\\w#.])',
    'flags': [], 'raw':
    '/[-+]?(2#[01](_?[01])*|8#[0-7](_?[0-7])*|16#[0-9a-fA-F](_?[0-9a-fA-F])*|[0-9](_?[0-9])*)(?![\\w#.])/', '_width':
    [1, 18446744073709551616], '__type__': 'PatternRE'}, 'priority': 0, '__type__': 'TerminalDef'}, 3: {'name': 'NAME',
    'pattern': {'value': '[A-Za-z][A-Za-z0-9_]*', 'flags': [], 'raw': '/[A-Za-z][A-Za-z0-9_]*/', '_width': [1,
    18446744073709551616], '__type__': 'PatternRE'}, 'priority': 0, '__type__': 'TerminalDef'}, 4: {'name':
    '__IGNORE_0', 'pattern': {'value': '\\s+', 'flags': [], 'raw': '/\\s+/', '_width': [1, 18446744073709551616],
    '__type__': 'PatternRE'}, 'priority': 0, '__type__': 'TerminalDef'}, 5: {'name': 'OR', 'pattern': {'value': 'OR',
    'flags': ['i'], 'raw': '"OR"i', '__type__': 'PatternStr'}, 'priority': 0, '__type__': 'TerminalDef'}, 6: {'name':
    'XOR', 'pattern': {'value': 'XOR', 'flags': ['i'], 'raw': '"XOR"i', '__type__': 'PatternStr'}, 'priority': 0,
    '__type__': 'TerminalDef'}, 7: {'name': 'AND', 'pattern': {'value': 'AND', 'flags': ['i'], 'raw': '"AND"i',
    '__type__': 'PatternStr'}, 'priority': 0, '__type__': 'TerminalDef'}, 8: {'name': 'AMPERSAND', 'pattern': {'value':
    '&', 'flags': [], 'raw': '"&"', '__type__': 'PatternStr'}, 'priority': 0, '__type__': 'TerminalDef'}, 9: {'name':
    'NOT', 'pattern': {'value': 'NOT', 'flags': ['i'], 'raw': '"NOT"i', '__type__': 'PatternStr'}, 'priority': 0,
    '__type__': 'TerminalDef'}, 10: {'name': 'TRUE', 'pattern': {'value': 'TRUE', 'flags': ['i'], 'raw': '"TRUE"i',
    '__type__': 'PatternStr'}, 'priority': 0, '__type__': 'TerminalDef'}, 11: {'name': 'FALSE', 'pattern': {'value':
    'FALSE', 'flags': ['i'], 'raw': '"FALSE"i', '__type__': 'PatternStr'}, 'priority': 0, '__type__': 'TerminalDef'},
    12: {'name': 'LPAR', 'pattern': {'value': '(', 'flags': [], 'raw': '"("', '__type__': 'PatternStr'}, 'priority': 0,
    '__type__': 'TerminalDef'}, 13: {'name': 'RPAR', 'pattern': {'value': ')', 'flags': [], 'raw': '")"', '__type__':
    'PatternStr'}, 'priority': 0, '__type__': 'TerminalDef'}, 14: {'origin': {'name': 'start', '__type__':
    'NonTerminal'}, 'expansion': [{'name': 'or', '__type__': 'NonTerminal'}], 'order': 0, 'alias': None, 'options':
    {'keep_all_tokens': False, 'expand1': True, 'priority': None, 'template_source': None, 'empty_indices': (),
    '__type__': 'RuleOptions'}, '__type__': 'Rule'}, 15: {'origin': {'name': 'or', '__type__': 'NonTerminal'},
    'expansion': [{'name': 'xor', '__type__': 'NonTerminal'}], 'order': 0, 'alias': None, 'options': {'keep_all_tokens':
    False, 'expand1': True, 'priority': None, 'template_source': None, 'empty_indices': (), '__type__': 'RuleOptions'},
    '__type__': 'Rule'}, 16: {'origin': {'name': 'or', '__type__': 'NonTerminal'}, 'expansion': [{'name': 'or',
    '__type__': 'NonTerminal'}, {'name': 'OR', 'filter_out': True, '__type__': 'Terminal'}, {'name': 'xor', '__type__':
    'NonTerminal'}], 'order': 1, 'alias': 'or_', 'options': {'keep_all_tokens': False, 'expand1': True, 'priority':
    None, 'template_source': None, 'empty_indices': (), '__type__': 'RuleOptions'}, '__type__': 'Rule'}, 17: {'origin':
    {'name': 'xor', '__type__': 'NonTerminal'}, 'expansion': [{'name': 'and', '__type__': 'NonTerminal'}], 'order': 0,
    'alias': None, 'options': {'keep_all_tokens': False, 'expand1': True, 'priority': None, 'template_source': None,
    'empty_indices': (), '__type__': 'RuleOptions'}, '__type__': 'Rule'}, 18: {'origin': {'name': 'xor', '__type__':
    'NonTerminal'}, 'expansion': [{'name': 'xor', '__type__': 'NonTerminal'}, {'name': 'XOR', 'filter_out': True,
    '__type__': 'Terminal'}, {'name': 'and', '__type__': 'NonTerminal'}], 'order': 1, 'alias': 'xor_', 'options':
    {'keep_all_tokens': False, 'expand1': True, 'priority': None, 'template_source': None, 'empty_indices': (),
    '__type__': 'RuleOptions'}, '__type__': 'Rule'}, 19: {'origin': {'name': 'and', '__type__': 'NonTerminal'},
    'expansion': [{'name': 'equality', '__type__': 'NonTerminal'}], 'order': 0, 'alias': None, 'options':
    {'keep_all_tokens': False, 'expand1': True, 'priority': None, 'template_source': None, 'empty_indices': (),
    '__type__': 'RuleOptions'}, '__type__': 'Rule'}, 20: {'origin': {'name': 'and', '__type__': 'NonTerminal'},
    'expansion': [{'name': 'and', '__type__': 'NonTerminal'}, {'name': 'AND', 'filter_out': True, '__type__':
    'Terminal'}, {'name': 'equality', '__type__': 'NonTerminal'}], 'order': 1, 'alias': 'and_', 'options':
    {'keep_all_tokens': False, 'expand1': True, 'priority': None, 'template_source': None, 'empty_indices': (),
    '__type__': 'RuleOptions'}, '__type__': 'Rule'}, 21: {'origin': {'name': 'and', '__type__': 'NonTerminal'},
    'expansion': [{'name': 'and', '__type__': 'NonTerminal'}, {'name': 'AMPERSAND', 'filter_out': True, '__type__':
    'Terminal'}, {'name': 'equality', '__type__': 'NonTerminal'}], 'order': 2, 'alias': 'and_', 'options':
    {'keep_all_tokens': False, 'expand1': True, 'priority': None, 'template_source': None, 'empty_indices': (),
    '__type__': 'RuleOptions'}, '__type__': 'Rule'}, 22: {'origin': {'name': 'equality', '__type__': 'NonTerminal'},
    'expansion': [{'name': 'comparison', '__type__': 'NonTerminal'}], 'order': 0, 'alias': None, 'options':
    {'keep_all_tokens': False, 'expand1': True, 'priority': None, 'template_source': None, 'empty_indices': (),
    '__type__': 'RuleOptions'}, '__type__': 'Rule'}, 23: {'origin': {'name': 'equality', '__type__': 'NonTerminal'},
    'expansion': [{'name': 'equality', '__type__': 'NonTerminal'}, {'name': 'EQUALITY', 'filter_out': False, '__type__':
    'Terminal'}, {'name': 'comparison', '__type__': 'NonTerminal'}], 'order': 1, 'alias': 'compared', 'options':
    {'keep_all_tokens': False, 'expand1': True, 'priority': None, 'template_source': None, 'empty_indices': (),
    '__type__': 'RuleOptions'}, '__type__': 'Rule'}, 24: {'origin': {'name': 'comparison', '__type__': 'NonTerminal'},
    'expansion': [{'name': 'unary', '__type__': 'NonTerminal'}], 'order': 0, 'alias': None, 'options':
    {'keep_all_tokens': False, 'expand1': True, 'priority': None, 'template_source': None, 'empty_indices': (),
    '__type__': 'RuleOptions'}, '__type__': 'Rule'}, 25: {'origin': {'name': 'comparison', '__type__': 'NonTerminal'},
    'expansion': [{'name': 'comparison', '__type__': 'NonTerminal'}, {'name': 'ORDER', 'filter_out': False, '__type__':
    'Terminal'}, {'name': 'unary', '__type__': 'NonTerminal'}], 'order': 1, 'alias': 'compared', 'options':
    {'keep_all_tokens': False, 'expand1': True, 'priority': None, 'template_source': None, 'empty_indices': (),
    '__type__': 'RuleOptions'}, '__type__': 'Rule'}, 26: {'origin': {'name': 'unary', '__type__': 'NonTerminal'},
    'expansion': [{'name': 'atom', '__type__': 'NonTerminal'}], 'order': 0, 'alias': None, 'options':
    {'keep_all_tokens': False, 'expand1': True, 'priority': None, 'template_source': None, 'empty_indices': (),
    '__type__': 'RuleOptions'}, '__type__': 'Rule'}, 27: {'origin': {'name': 'unary', '__type__': 'NonTerminal'},
    'expansion': [{'name': 'NOT', 'filter_out': True, '__type__': 'Terminal'}, {'name': 'unary', '__type__':
    'NonTerminal'}], 'order': 1, 'alias': 'not_', 'options': {'keep_all_tokens': False, 'expand1': True, 'priority':
    None, 'template_source': None, 'empty_indices': (), '__type__': 'RuleOptions'}, '__type__': 'Rule'}, 28: {'origin':
    {'name': 'atom', '__type__': 'NonTerminal'}, 'expansion': [{'name': 'NAME', 'filter_out': False, '__type__':
    'Terminal'}], 'order': 0, 'alias': 'name', 'options': {'keep_all_tokens': False, 'expand1': True, 'priority': None,
    'template_source': None, 'empty_indices': (), '__type__': 'RuleOptions'}, '__type__': 'Rule'}, 29: {'origin':
    {'name': 'atom', '__type__': 'NonTerminal'}, 'expansion': [{'name': 'INTEGER', 'filter_out': False, '__type__':
    'Terminal'}], 'order': 1, 'alias': 'integer', 'options': {'keep_all_tokens': False, 'expand1': True, 'priority':
    None, 'template_source': None, 'empty_indices': (), '__type__': 'RuleOptions'}, '__type__': 'Rule'}, 30: {'origin':
    {'name': 'atom', '__type__': 'NonTerminal'}, 'expansion': [{'name': 'TRUE', 'filter_out': True, '__type__':
    'Terminal'}], 'order': 2, 'alias': 'true', 'options': {'keep_all_tokens': False, 'expand1': True, 'priority': None,
    'template_source': None, 'empty_indices': (), '__type__': 'RuleOptions'}, '__type__': 'Rule'}, 31: {'origin':
    {'name': 'atom', '__type__': 'NonTerminal'}, 'expansion': [{'name': 'FALSE', 'filter_out': True, '__type__':
    'Terminal'}], 'order': 3, 'alias': 'false', 'options': {'keep_all_tokens': False, 'expand1': True, 'priority': None,
    'template_source': None, 'empty_indices': (), '__type__': 'RuleOptions'}, '__type__': 'Rule'}, 32: {'origin':
    {'name': 'atom', '__type__': 'NonTerminal'}, 'expansion': [{'name': 'LPAR', 'filter_out': True, '__type__':
    'Terminal'}, {'name': 'or', '__type__': 'NonTerminal'}, {'name': 'RPAR', 'filter_out': True, '__type__':
    'Terminal'}], 'order': 4, 'alias': 'parenthesis', 'options': {'keep_all_tokens': False, 'expand1': True, 'priority':
    None, 'template_source': None, 'empty_indices': (), '__type__': 'RuleOptions'}, '__type__': 'Rule'}}}
)
